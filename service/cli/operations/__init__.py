"""``run``, ``migrate``, ``examine``, ``backup``, ``restore``, ``archive`` and ``watch-over``."""
