"""Who may sign in, sessions, tokens, second factors, and the audit log."""
