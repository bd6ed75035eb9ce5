"""Modbus TCP and RTU over TCP: what is read, in which requests, over one connection that can only read.

Doors: :mod:`.connector`, :mod:`.points`.
"""
