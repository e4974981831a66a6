"""Quantities, records and the description of a rig; pure."""
