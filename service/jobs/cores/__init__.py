"""Hand cores recorded, corrected and withdrawn: every door goes through :mod:`.core`."""
