"""The outbox: every message, claimed by a lease, every try recorded."""
