"""The programs' interface, version 1."""
