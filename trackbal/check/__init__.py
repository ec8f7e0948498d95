"""A run against its limits and against belief: which readings are over, stopped, or hard to believe."""
