"""HTTP in: what other systems post, and what people see."""
