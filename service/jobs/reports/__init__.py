"""Reports and shift logs read from what is stored, and mailed."""
