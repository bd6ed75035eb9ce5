"""``apply`` and ``check``."""
