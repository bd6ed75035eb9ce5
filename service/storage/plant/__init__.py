"""Tanks and signals as rows, and tanks out of service."""
