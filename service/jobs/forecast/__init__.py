"""The forecast values that alarms watch."""
