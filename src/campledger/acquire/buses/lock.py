"""
One owner a wire: an advisory lock that goes away with its process.

On a device file the lock is on the file itself, so that it holds whoever runs the other
program; a network address has no file, so one is made for it.
"""

from __future__ import annotations

import fcntl
import os
import tempfile
from contextlib import suppress
from pathlib import Path

from campledger.errors import BusError

LOCK_FOLDER = Path("/run/lock")


def claim(descriptor: int, name: str) -> None:
    """
    Lock an open file for a bus.

    Raises
    ------
    BusError
        Another process holds it.
    """
    try:
        fcntl.flock(descriptor, fcntl.LOCK_EX | fcntl.LOCK_NB)
    except BlockingIOError as error:
        msg = (
            f"bus {name}: in use by another process, expected one owner; "
            "stop the other logger or check first"
        )
        raise BusError(msg, temporary=False) from error


def claim_address(name: str, folder: Path | None = None) -> int | None:
    """
    Lock a network address; gives the open lock file, None where none can be made.

    Raises
    ------
    BusError
        Another process holds it.
    """
    clean = "".join(c if c.isalnum() else "-" for c in name)
    for place in (folder or LOCK_FOLDER, Path(tempfile.gettempdir())):
        descriptor = None
        with suppress(OSError):
            descriptor = _open(place / f"campledger-{clean}.lock")
        if descriptor is None:
            continue
        try:
            claim(descriptor, name)
        except BusError:
            os.close(descriptor)
            raise
        return descriptor
    return None


def _open(path: Path) -> int:
    """Open without creating first: another user's file may be locked, not made."""
    with suppress(FileNotFoundError):
        return os.open(path, os.O_RDONLY | os.O_CLOEXEC)
    return os.open(path, os.O_RDONLY | os.O_CREAT | os.O_CLOEXEC, 0o644)
