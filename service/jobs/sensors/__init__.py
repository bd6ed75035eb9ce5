"""Calibrations recorded, and sensors reviewed."""
