"""Loading figures of every tank."""
