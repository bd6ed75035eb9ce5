"""Readings, cores and calibrations in, believed blankets out."""
