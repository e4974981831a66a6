"""Command line, daemon and wiring; side effects start here."""
