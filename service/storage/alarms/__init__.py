"""Alarm states, the alarm journal, and the inputs of alarm rules."""
