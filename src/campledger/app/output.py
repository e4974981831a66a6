"""Writing to the person or the script that asked."""

from __future__ import annotations

import json
import os
import sys
from contextlib import contextmanager
from typing import IO, TYPE_CHECKING

from campledger.errors import Fault, InputError

if TYPE_CHECKING:
    from collections.abc import Iterator
    from pathlib import Path


def print_json(value: object) -> None:
    """Print one JSON object; a number that is not finite is a fault of ours."""
    text = json.dumps(value, allow_nan=False, ensure_ascii=False, indent=1)
    sys.stdout.write(text + "\n")


@contextmanager
def new_file(path: Path) -> Iterator[IO[bytes]]:
    """
    Write a file whole or not at all.

    Raises
    ------
    InputError
        It cannot be written there.
    """
    part = path.with_name(f".{path.name}.part")
    try:
        with part.open("wb") as file:
            yield file
            file.flush()
            os.fsync(file.fileno())
        part.replace(path)
    except OSError as error:
        raise InputError(
            Fault(
                file=str(path),
                field="file",
                got=(error.strerror or "an error").lower(),
                expected="a place that can be written",
                effect="Nothing written.",
            )
        ) from error
    finally:
        part.unlink(missing_ok=True)


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
