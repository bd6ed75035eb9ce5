"""Laboratory results recorded, corrected and withdrawn: every door goes through :mod:`.result`."""
