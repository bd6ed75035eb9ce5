"""How far each instrument is off, and what to do about it.

Doors: :mod:`.review` of a sensor, from its :mod:`.drift_history`; :mod:`.advice` to the technician; :mod:`.work_proof` that work helped.
"""
