"""Reads the bytes of a site file to sections with their lines, and collects findings."""
