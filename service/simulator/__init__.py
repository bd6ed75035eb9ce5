"""A simulated plant whose truth is known: used by the demo and to score the estimators, sharing no code with them."""
