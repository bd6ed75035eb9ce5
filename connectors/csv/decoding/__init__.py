"""Decodes bytes to columns of samples, hand cores and rejects. No files, no clock.

Door: :mod:`.reader`.
"""
