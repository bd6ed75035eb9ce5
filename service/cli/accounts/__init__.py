"""``people``."""
