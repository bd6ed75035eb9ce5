"""``status`` and ``estimate``."""
