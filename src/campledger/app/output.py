"""Writing to the person or the script that asked."""

from __future__ import annotations

import json
import sys


def print_json(value: object) -> None:
    """Print one JSON object; a number that is not finite is a fault of ours."""
    text = json.dumps(value, allow_nan=False, ensure_ascii=False, indent=1)
    sys.stdout.write(text + "\n")


class Progress:
    """A line that counts on a terminal and stays silent in a pipe."""

    def __init__(self, what: str) -> None:
        self.what = what
        self.shown = sys.stderr.isatty()

    def show(self, text: str) -> None:
        """Replace the line."""
        if self.shown:
            sys.stderr.write(f"\r{self.what}: {text}\x1b[K")
            sys.stderr.flush()

    def done(self) -> None:
        """Clear the line."""
        if self.shown:
            sys.stderr.write("\r\x1b[K")
            sys.stderr.flush()


def human_count(count: int) -> str:
    """Write a count with thin groups, as in ``18 411``."""
    return f"{count:,}".replace(",", " ")
