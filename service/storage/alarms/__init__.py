"""Where alarms stand, their journal, and what they are decided from."""
