"""``laboratory``."""
