"""Probable causes of a high blanket, what to check, and the effect of changes."""
