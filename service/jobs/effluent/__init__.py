"""Reads what left the plant, and signs a month of it. Doors: ``days``, ``standing``."""
