"""Sensor drift, agreement with hand cores, and advice on calibration."""
