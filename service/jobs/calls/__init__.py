"""Who is told, how, and what they answered: notification, delivery, escalation, replies."""
