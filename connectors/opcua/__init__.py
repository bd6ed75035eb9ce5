"""OPC UA: one session with a server; subscription, reads of items that send nothing, history after an outage.

Doors: :mod:`.connector`, :mod:`.items`, :mod:`.security`.
"""
