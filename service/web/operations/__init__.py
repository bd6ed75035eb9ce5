"""Whether the service itself is well."""
