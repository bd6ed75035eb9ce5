"""What is wrong with a tank, and what helps: failure modes that compete on evidence, and actions ranked by solids lost.

Doors: :mod:`.gather` (evidence), :mod:`.diagnosis` (chances), :mod:`.advice` and :mod:`.wording` (what is said),
:mod:`.ranking` (what the site can do), :mod:`.what_if` (the blanket after a change).
"""
