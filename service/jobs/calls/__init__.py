"""Notification, delivery, escalation and replies."""
