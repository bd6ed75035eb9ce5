"""``loading``."""
