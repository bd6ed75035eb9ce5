"""Readings and how they came in: readings, batches, processed files, the spool, dead letters."""
