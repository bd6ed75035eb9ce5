"""Converts sections to domain objects, with defaults for what the file leaves out."""
