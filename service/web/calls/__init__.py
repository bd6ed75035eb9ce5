"""Who is on duty, and what a gateway posts."""
