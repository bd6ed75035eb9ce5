"""OPC UA: one session with a server, subscribed, read where it stays silent, looked back over after an outage.

Doors: :mod:`.connector`, :mod:`.items`, :mod:`.security`.
"""
