"""Loading of a clarifier, and its capacity."""
