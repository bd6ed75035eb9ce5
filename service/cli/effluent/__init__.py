"""Commands on what leaves the plant, against its permit."""
