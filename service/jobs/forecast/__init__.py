"""What the forecast says of a tank, as far as alarms watch it."""
