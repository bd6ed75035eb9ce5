"""Tanks, readings, cores and the mathematics of the blanket. Pure: no clock, no I/O, no settings."""
