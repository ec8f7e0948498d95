"""Before there is a history: the first trial, textbook estimates, readings without phase."""
