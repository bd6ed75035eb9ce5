"""What keeps the service itself alive: leases, circuit breakers, silence that must be noticed."""
