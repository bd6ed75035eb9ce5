"""Files that other systems drop into a folder: opened safely, read to their end, moved aside with what could not be read.

Doors: :mod:`.drop` (a folder as a connector), :mod:`.decoding.format` (what the site file says of its files).
"""
