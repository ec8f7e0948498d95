"""From influence to advice: the cost as a quadratic, the chance of each plan, the choice between them."""
