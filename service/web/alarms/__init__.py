"""Alarms: active, taken, shelved, their journal and figures."""
