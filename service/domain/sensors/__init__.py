"""How far each instrument is off, and what to do about it."""
