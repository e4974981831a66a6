"""Verdicts, statements and plans; pure."""
