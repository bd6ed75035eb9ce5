"""Reads the bytes of a site file to sections with their lines, and collects findings.

Doors: :mod:`.document` the file, :mod:`.section_reader` a section, :mod:`.finding` and :mod:`.report` what is wrong.
"""
