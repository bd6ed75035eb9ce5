"""The site file brought into force, and tanks taken out of service."""
