"""What the laboratory measured, append-only."""
