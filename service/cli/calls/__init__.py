"""``why``, ``figures``, ``duty``, ``reset``, ``out-of-service`` and ``in-service``."""
