"""What would happen if."""
