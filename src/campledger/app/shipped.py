"""Where the files that come with campledger lie."""

from __future__ import annotations

import sys
from pathlib import Path

from campledger.errors import CampledgerError


def shipped(name: str) -> Path:
    """
    Find a shipped file such as ``replay_data/demo_trip.csv.gz``.

    Raises
    ------
    CampledgerError
        The installation is not whole.
    """
    roots = (
        Path(__file__).resolve().parents[3],
        Path(sys.prefix) / "share" / "campledger",
    )
    for root in roots:
        if (root / name).exists():
            return root / name
    msg = f"{name}: got no such file, expected it with campledger; install it again"
    raise CampledgerError(msg)
