"""Hand cores recorded, corrected and withdrawn: the one way in is :mod:`.core`."""
