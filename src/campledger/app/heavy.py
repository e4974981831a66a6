"""Heavy commands: one at a time with the chores, and none while the board is hot."""

from __future__ import annotations

from contextlib import contextmanager
from pathlib import Path
from typing import TYPE_CHECKING

from campledger.app.board import heat_reason
from campledger.errors import CampledgerError, StoreBusyError
from campledger.store.file import Lock

if TYPE_CHECKING:
    from collections.abc import Iterator

WAIT = 60.0
"""How long a person waits for a chore to end. Common practice, no source. [s]"""


@contextmanager
def heavy_work(what: str, store: Path) -> Iterator[None]:
    """
    Take the lock that heavy work shares.

    Raises
    ------
    CampledgerError
        The board is hot: sampling goes before reports.
    StoreBusyError
        Other heavy work runs for too long, or the folder cannot be written to lock.
    """
    reason = heat_reason()
    if reason:
        msg = f"{what}: refused: {reason}; the record goes on."
        raise CampledgerError(msg)
    lock = Lock(Path(f"{store}.heavy"))
    try:
        taken = lock.take(wait=WAIT)
    except OSError:
        yield  # a store on a read-only medium has no daemon beside it
        return
    if not taken:
        msg = f"{what}: other heavy work runs, expected none; try again in a minute."
        raise StoreBusyError(msg)
    try:
        yield
    finally:
        lock.release()
