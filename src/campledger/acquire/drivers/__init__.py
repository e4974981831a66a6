"""Chips and meters: pure decoding under thin drivers."""
