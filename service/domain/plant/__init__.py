"""Tanks, signals, units and roles, and how numbers are formatted."""
