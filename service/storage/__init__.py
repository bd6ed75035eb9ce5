"""Storage: all SQL of the service, and the embedded PostgreSQL server."""
