"""From the sums of past jobs to coefficients, noise and the spread between aircraft."""
