"""Where the blanket is heading: learned from the past of each tank, followed event by event."""
