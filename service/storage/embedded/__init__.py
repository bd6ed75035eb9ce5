"""The PostgreSQL server that comes along: installed, started, shared and stopped.

Door: :mod:`.server`.
"""
