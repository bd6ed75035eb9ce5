"""Alarm rules and the alarm state machine: from an estimate to a decision with a named reason. Pure: no clock, no I/O."""
