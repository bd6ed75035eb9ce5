"""Reports and shift logs, read from storage and mailed."""
