"""Parses times as people and programs write them, and converts them to UTC, by the column."""
