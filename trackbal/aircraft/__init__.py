"""What one aircraft's own runs tell of it: its posterior, what it has taught, what surprises."""
