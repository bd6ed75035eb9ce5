"""A report as values, and its renderers: PDF, spreadsheet, terminal.

Door: :mod:`.document`.
"""
