"""Files dropped into a folder: opened safely, decoded, and moved away with their rejects.

Doors: :mod:`.drop` (the connectors), :mod:`.decoding.format` (the configured format).
"""
