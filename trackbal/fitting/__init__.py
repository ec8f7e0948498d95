"""A fit from end to end, of one history or of a fleet in pieces, with its cautions and residuals."""
