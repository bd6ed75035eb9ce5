"""Words an alarm message: from facts to subject, text, HTML and SMS.

Doors: :mod:`.render`, :mod:`.facts`, :mod:`.wording`.
"""
