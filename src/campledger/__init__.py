"""Offline field logger and trip report for a touring vehicle."""

__version__ = "0.1.0"
