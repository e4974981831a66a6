"""Under construction."""
