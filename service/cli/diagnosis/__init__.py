"""``what-if``."""
