"""Hand cores: their fields, their plausibility, and the mistakes that explain a wrong one."""
