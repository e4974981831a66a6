"""
A whole trip in one file that another machine opens.

The file is a zip whose members have fixed names and lie in it uncompressed, so that it
can never be larger opened than closed; the manifest names size and check sum of each.
"""

from __future__ import annotations

import hashlib
import json
import math
import os
import stat
import tempfile
import tomllib
import zipfile
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING

from campledger import __version__
from campledger.app.fitout_facts import KIND
from campledger.app.privacy import (
    Leave,
    alias_of,
    plan_table,
    proof_body,
    rig_table,
    trip_name,
)
from campledger.app.times import iso, offset_at
from campledger.errors import Fault, InputError
from campledger.formats.mapfile import read_map, write_map
from campledger.formats.planfile import parse_plan, read_plan
from campledger.formats.rigfile import read_rig
from campledger.formats.tomlwrite import dump
from campledger.store.extract import Wanted, extract

if TYPE_CHECKING:
    from collections.abc import Mapping

    from campledger.store import Store, Trip

FORMAT, FORMAT_VERSION = "campledger archive", 1
MANIFEST = "manifest.json"
MEMBERS: Mapping[str, int] = {
    MANIFEST: 64_000,
    "store.db": 2_000_000_000,
    "rig.toml": 1_000_000,
    "plan.toml": 1_000_000,
    "map.toml": 1_000_000,
    "proofs.json": 4_000_000,
}
"""The only members an archive may have, each with the most it may hold. [byte] A year
of readings is some tens of megabytes; common practice, no source."""
PIECE = 1 << 20


@dataclass(frozen=True, kw_only=True)
class Archived:
    """What went into an archive, or came out of one."""

    rig: str
    trip: str
    start_utc: float
    end_utc: float
    rows: int
    members: tuple[str, ...]
    size: int


def refuse(path: Path, field: str, got: str, expected: str, effect: str) -> InputError:
    """Make a refusal of a file, in one line."""
    return InputError(
        Fault(file=path.name, field=field, got=got, expected=expected, effect=effect)
    )


def writable(out: Path) -> None:
    """
    Refuse a place for a file before any work is done.

    Raises
    ------
    InputError
        Its folder is not there or may not be written, or it is a folder itself.
    """
    folder = out.parent
    if not folder.is_dir() or not os.access(folder, os.W_OK) or out.is_dir():
        raise refuse(
            out,
            "file",
            f"{folder if not out.is_dir() else out}",
            "a file in a folder that can be written",
            "Nothing written.",
        )


def write_archive(
    out: Path,
    store: Store,
    rig_file: Path,
    trip: Trip,
    *,
    whole: bool,
    leave_places: bool,
    leave_notes: bool,
    map_file: Path | None = None,
    plan_file: Path | None = None,
) -> Archived:
    """
    Write a trip, or the whole store, into one file.

    Parameters
    ----------
    out : Path
        The archive; written beside and moved there whole.
    store : Store
        Open for reading; a daemon may go on writing to it.
    rig_file : Path
        As the owner keeps it; what leaves of it is decided by the two flags.
    trip : Trip
        Its bounds cut the readings.
    whole : bool
        Everything instead of the trip.
    leave_places, leave_notes : bool
        What the owner lets out.
    map_file : Path, optional
        How the foreign recordings were read.
    plan_file : Path, optional
        A plan that was not frozen; default the frozen one of the trip.
    """
    writable(out)
    zone = read_rig(rig_file).timezone
    places = leave_places
    alias = "" if places else alias_of(store)
    leave = Leave(places=places, notes=leave_notes, alias=alias)
    rig = rig_table(tomllib.loads(rig_file.read_text(encoding="utf-8-sig")), leave)
    start, end = (-math.inf, math.inf) if whole else (trip.start_utc, trip.end_utc)
    documents = _documents(store, (start, end), leave)
    renamed = {} if places else _recorders({b.recorder for b in store.boots()}, leave)
    texts: dict[str, str] = {"rig.toml": dump(rig), "proofs.json": _proofs(documents)}
    plan = _plan(store, trip, plan_file, leave)
    if plan:
        texts["plan.toml"] = plan
    if map_file is not None:
        texts["map.toml"] = write_map(read_map(map_file))
    with tempfile.TemporaryDirectory(prefix=".archive-", dir=out.parent) as folder:
        copy = Path(folder) / "store.db"
        wanted = Wanted(start=start, end=end, recorders=renamed, documents=documents)
        done = extract(store.file, copy, wanted)
        files = {n: t.encode() for n, t in texts.items()}
        members = {n: facts_of(data) for n, data in files.items()}
        members["store.db"] = _facts(copy)
        offset = offset_at(zone, trip.start_utc)
        about = {
            "format": FORMAT,
            "version": FORMAT_VERSION,
            "campledger": __version__,
            "rig": rig["rig"]["name"],
            "trip": trip_name(trip.start_utc, trip.name, offset, leave),
            "start": iso(trip.start_utc),
            "end": iso(trip.end_utc),
            "whole": whole,
            "rows": done.rows,
            "with_places": places,
            "with_notes": leave_notes,
            "members": members,
        }
        files[MANIFEST] = json.dumps(about, ensure_ascii=False, indent=1).encode()
        _move_whole(out, Path(folder) / "archive", files, copy)
    return Archived(
        rig=str(about["rig"]),
        trip=str(about["trip"]),
        start_utc=trip.start_utc,
        end_utc=trip.end_utc,
        rows=done.rows,
        members=tuple(n for n in MEMBERS if n in files or n == "store.db"),
        size=out.stat().st_size,
    )


def _recorders(names: set[str], leave: Leave) -> dict[str, str]:
    rest = {n: f"{leave.alias}-{k}" for k, n in enumerate(sorted(names), 1)}
    return rest if len(rest) > 1 else dict.fromkeys(rest, leave.alias)


Document = tuple[str, float, str, "Mapping[str, object]"]


def _move_whole(out: Path, part: Path, files: dict[str, bytes], copy: Path) -> None:
    """Pack beside the target and move it there whole."""
    try:
        _pack(part, files, copy)
        part.replace(out)
    except OSError as error:
        why = (error.strerror or str(error)).lower()
        raise refuse(out, "file", why, "room", "Nothing written.") from error


def _proofs(documents: tuple[Document, ...]) -> str:
    """Give the typed meter readings as the archive holds them."""
    proofs = [
        {"time_utc": iso(when) if math.isfinite(when) else None, **body}
        for kind, when, _, body in documents
        if kind == "proof"
    ]
    return json.dumps(proofs, ensure_ascii=False, indent=1)


def _documents(
    store: Store, span: tuple[float, float], leave: Leave
) -> tuple[Document, ...]:
    start, end = span
    out: list[Document] = []
    for plan in store.plans():
        if plan.start_utc > end or plan.end_utc < start:
            continue
        body: dict[str, object] = {
            "fingerprint": plan.fingerprint,
            "text": plan.text,
            "name": plan.name,
            "start_utc": plan.start_utc,
            "end_utc": plan.end_utc,
            "revision": plan.revision,
            "late": plan.late,
        }
        if not leave.places:
            text = dump(plan_table(tomllib.loads(plan.text), leave))
            masked = parse_plan(text)
            body |= {
                "fingerprint": masked.fingerprint,
                "text": text,
                "name": masked.name,
            }
        out.append(("plan", plan.frozen_utc, str(body["fingerprint"]), body))
    out.extend(
        ("proof", e.time_utc, e.key, proof_body(e.body, leave))
        for e in store.entries("proof")
    )
    kept = [*store.entries("event", key=KIND, end=end)]
    if leave.notes:
        kept += store.entries("note", start=start, end=end)
    out.extend((e.kind, e.time_utc, e.key, e.body) for e in kept)
    return tuple(out)


def _plan(store: Store, trip: Trip, given: Path | None, leave: Leave) -> str:
    if given is not None:
        text = read_plan(given).text
    else:
        plans = [
            p
            for p in store.plans()
            if p.start_utc <= trip.end_utc and p.end_utc >= trip.start_utc
        ]
        if not plans:
            return ""
        text = min(plans, key=lambda p: p.revision).text
    return dump(plan_table(tomllib.loads(text), leave))


def facts_of(data: bytes) -> dict[str, object]:
    """Give size and check sum of some bytes, as the manifest has them."""
    return {"size": len(data), "sha256": hashlib.sha256(data).hexdigest()}


def _facts(path: Path) -> dict[str, object]:
    with path.open("rb") as file:
        digest = hashlib.file_digest(file, "sha256").hexdigest()
    return {"size": path.stat().st_size, "sha256": digest}


def _pack(part: Path, files: Mapping[str, bytes], store: Path) -> None:
    with zipfile.ZipFile(part, "w", zipfile.ZIP_STORED, allowZip64=False) as zipped:
        for name in MEMBERS:
            info = zipfile.ZipInfo(name)
            info.external_attr = (stat.S_IFREG | 0o644) << 16
            if name in files:
                zipped.writestr(info, files[name])
            elif name == "store.db":
                info.file_size = store.stat().st_size
                with zipped.open(info, "w") as to, store.open("rb") as source:
                    while block := source.read(PIECE):
                        to.write(block)
