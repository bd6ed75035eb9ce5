"""Where every tank stands, and one tank over time."""
