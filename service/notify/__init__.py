"""How we tell. The only sending."""
