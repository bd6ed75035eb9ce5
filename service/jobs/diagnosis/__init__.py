"""Diagnoses, what-if forecasts and ranked actions, from what is stored."""
