"""What we remember. The only SQL."""
