"""The outbox: messages, claims and delivery attempts."""
