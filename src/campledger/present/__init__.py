"""Figures, pages, reports and text for people."""
