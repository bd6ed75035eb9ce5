"""Alarms evaluated, commanded, explained and replayed.

Doors: :mod:`.evaluate`, :mod:`.command`, :mod:`.setup`.
"""
