"""Where the blanket is heading: learned from the past of each tank, followed event by event.

Doors: :mod:`.tracker` follows the events and foretells, :mod:`.outlook` is what is foretold, :mod:`.wording` says it; the what-if
starts from :mod:`.state` and :mod:`.forecast`.
"""
