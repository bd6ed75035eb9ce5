"""What people write into the shift log."""
