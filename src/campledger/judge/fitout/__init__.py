"""Findings about the fit-out, one file a group."""
