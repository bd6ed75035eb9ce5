"""Modbus TCP and RTU over TCP: points, requests, and one connection that can only read.

Doors: :mod:`.connector`, :mod:`.points`.
"""
