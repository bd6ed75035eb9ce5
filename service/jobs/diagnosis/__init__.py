"""Evidence for advice, and what-if forecasts."""
