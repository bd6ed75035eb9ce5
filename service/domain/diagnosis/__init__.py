"""What is wrong, and what helps."""
