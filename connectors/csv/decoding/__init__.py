"""From bytes to columns of samples, hand cores and named rejects. No files, no clock.

Door: :mod:`.reader`.
"""
