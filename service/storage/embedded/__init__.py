"""The embedded PostgreSQL server: installed, started, shared and stopped.

Door: :mod:`.server`.
"""
