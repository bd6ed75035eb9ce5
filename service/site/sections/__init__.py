"""Models of the sections of the site file."""
