"""The job shown in about a minute: an invented two-tank plant on a storm night, through the real service."""
