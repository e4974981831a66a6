"""
What the daemon says about itself, where a full disk cannot silence it.

A small file in the unit's runtime folder (memory, not the card), and lines to the
service manager. Others read it with `read_status`; nothing depends on it being there.
"""

from __future__ import annotations

import json
import os
import socket
import time
from contextlib import suppress
from pathlib import Path

RUNTIME = Path("/run/campledger")
NAME = "status.json"
OLD = 120.0
"""A status older than this says that no daemon runs. [s]"""


def status_path() -> Path | None:
    """Find the runtime folder; None where there is none."""
    given = os.environ.get("RUNTIME_DIRECTORY", "").split(":")[0]
    folder = Path(given) if given else RUNTIME
    return folder / NAME if folder.is_dir() else None


def write_status(status: dict[str, object]) -> None:
    """Replace the status; trouble with it is no trouble for the record."""
    path = status_path()
    if path is None:
        return
    part = path.with_suffix(".part")
    with suppress(OSError):
        part.write_text(json.dumps(status), encoding="utf-8")
        part.replace(path)


def read_status(now: float | None = None) -> dict[str, object] | None:
    """Give the status of a running daemon, None if none runs."""
    path = status_path()
    if path is None:
        return None
    try:
        found = json.loads(path.read_text(encoding="utf-8"))
    except (OSError, ValueError):
        return None
    boot_time = time.clock_gettime(time.CLOCK_BOOTTIME) if now is None else now
    if not isinstance(found, dict):
        return None
    fresh = abs(boot_time - float(found.get("uptime_s", -1e9))) <= OLD
    return found if fresh else None


def logger_lines() -> list[str]:
    """Say what a running daemon has to say: not saved, hot, room for so many days."""
    found = read_status()
    if found is None:
        return []
    lines = [str(found["text"])] if found.get("text") else []
    silent = found.get("silent_sensors")
    if isinstance(silent, list) and silent:
        lines.append("Silent sensors: " + ", ".join(map(str, silent)))
    return [f"LOGGER   {line}" for line in lines]


class Manager:
    """The service manager's end of the line, if there is one."""

    def __init__(self) -> None:
        self.address = os.environ.get("NOTIFY_SOCKET", "")

    def tell(self, *lines: str) -> None:
        """Send lines such as ``READY=1``."""
        if not self.address:
            return
        address = self.address
        if address.startswith("@"):
            address = "\0" + address[1:]
        with suppress(OSError), socket.socket(socket.AF_UNIX, socket.SOCK_DGRAM) as s:
            s.sendto("\n".join(lines).encode(), address)
