"""Signatures under months of effluent figures."""
