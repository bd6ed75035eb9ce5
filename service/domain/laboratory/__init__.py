"""The laboratory's day: what was measured by hand of sludge and effluent, its plausibility, and what follows from it."""
