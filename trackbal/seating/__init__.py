"""Seating: the order of new blades on the hub, and the weights that leave the least once-per-rev unbalance."""
