"""A job walked through step by step, for a class."""
