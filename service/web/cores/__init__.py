"""The form of a hand core, a round, the photo."""
