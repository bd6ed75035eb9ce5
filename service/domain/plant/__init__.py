"""What tanks, signals, units and roles are, and how their numbers are shown."""
