"""What the instruments said, and how it came in: readings, batches, processed files, the spool, dead letters."""
