"""``ingest``, ``probe`` and ``client-certificate``."""
