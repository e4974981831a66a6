"""Files to model and back; no database, no bus."""
