"""Where the page keeps its files, and how they are replaced whole."""

from __future__ import annotations

import json
import os
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from pathlib import Path

LIVE, DRIVING, FACTS = "live.html", "driving.html", "facts.json"
TRIED = "tried"
PAIRING = "pairing.json"
SOCKET = "scribe.sock"
NOW = "now.json"


def page_folder(store: Path) -> Path:
    """Give the folder of the page's files beside a store."""
    return store.with_name(f"{store.stem}.page")


def make_folder(folder: Path) -> Path:
    """Make a folder that only its owner reads."""
    folder.mkdir(mode=0o700, parents=True, exist_ok=True)
    (folder / TRIED).mkdir(mode=0o700, exist_ok=True)
    return folder


def hand_over(folder: Path, store: Path) -> None:
    """Give what root made to whoever owns the store, so that the page reads it."""
    if os.geteuid() != 0:
        return
    owner = store.stat()
    for path in (folder, *folder.iterdir()):
        os.chown(path, owner.st_uid, owner.st_gid)


def put(path: Path, content: str) -> None:
    """Replace a file whole; a power cut leaves the old one or the new one."""
    part = path.with_name(f"{path.name}.{os.getpid()}.part")
    handle = os.open(part, os.O_WRONLY | os.O_CREAT | os.O_TRUNC, 0o600)
    with os.fdopen(handle, "w", encoding="utf-8") as out:
        out.write(content)
    part.replace(path)


def put_json(path: Path, value: object) -> None:
    """Replace a file of one JSON object."""
    put(path, json.dumps(value, allow_nan=False))


def take_json(path: Path) -> dict[str, object]:
    """Read a file of one JSON object; empty if there is none."""
    try:
        found = json.loads(path.read_text(encoding="utf-8"))
    except (OSError, ValueError):
        return {}
    return found if isinstance(found, dict) else {}
