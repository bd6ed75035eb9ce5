"""How hard every tank is worked."""
