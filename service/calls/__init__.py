"""Routing, duty rotas, escalation, retries and replies. Pure: no clock, no I/O."""
