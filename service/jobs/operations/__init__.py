"""What keeps the service itself alive: leadership, watchdogs, retention, archive, backup."""
