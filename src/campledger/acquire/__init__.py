"""Bytes to samples to records."""
