"""What may be wrong in a record: readings and adjustments weighed against what else they could have been."""
