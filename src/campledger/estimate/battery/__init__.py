"""State of charge, capacity and resistance."""
