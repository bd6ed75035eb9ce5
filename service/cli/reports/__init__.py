"""``shift``, ``note`` and ``report``."""
