"""``drift``, ``calibrate`` and ``certificate``."""
