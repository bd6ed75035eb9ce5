"""Blanket estimates from readings, cores and calibrations."""
