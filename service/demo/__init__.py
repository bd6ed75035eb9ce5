"""A demo of about a minute: an invented two-tank plant on a storm night, run through the real service."""
