"""A simulated plant whose truth is known, for the demo and for scoring the estimators; shares no code with them."""
