"""Why a blanket rises, and what would happen if something were changed."""
