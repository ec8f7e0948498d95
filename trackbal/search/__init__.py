"""Whole steps inside bounds: the proven optimum of a quadratic for every count of changes. Knows no rotor."""
