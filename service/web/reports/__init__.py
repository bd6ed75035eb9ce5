"""Reports and the shift log."""
