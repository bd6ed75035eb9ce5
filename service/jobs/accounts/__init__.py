"""Accounts: sign-in, second factors, tokens, and notices of changes."""
