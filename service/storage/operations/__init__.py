"""What keeps the service itself alive: leases, nodes, job runs, queues, the server's own upkeep, snapshots."""
