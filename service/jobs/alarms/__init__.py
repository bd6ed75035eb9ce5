"""Whether somebody must know: alarms evaluated, commanded, explained and replayed.

Doors: :mod:`.evaluate`, :mod:`.command`, :mod:`.setup`.
"""
