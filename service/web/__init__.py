"""HTTP in: pages for people, an interface for programs."""
