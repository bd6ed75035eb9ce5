"""Decodes bytes to columns of samples, hand cores and rejects. No files, no clock.

Doors: :mod:`.reader` decodes, :mod:`.format` says how a file is laid out, :mod:`.parts` and :mod:`.wire` are what it yields,
:mod:`.lines` and :mod:`.cell` name the place of a defect.
"""
