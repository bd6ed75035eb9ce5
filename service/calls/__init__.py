"""Who is told, how, and what they answered: routing, duty, escalation, retries and replies. Pure: no clock, no I/O."""
