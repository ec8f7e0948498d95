"""Answers as text for the terminal and as JSON."""
