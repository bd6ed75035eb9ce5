"""Signing in, second factors, people, tokens."""
