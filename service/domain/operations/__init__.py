"""Leases, circuit breakers and the watchdog's rules."""
