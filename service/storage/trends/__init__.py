"""Long stretches of rows made short: rollups, what pictures are drawn from, months archived to files."""
