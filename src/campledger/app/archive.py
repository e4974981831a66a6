"""
A whole trip in one file that another machine opens, and opening one with no trust.

The file is a zip whose members have fixed names and lie in it uncompressed, so that it
can never be larger opened than closed; the manifest names size and check sum of each.
A foreign store is never used as it is: a child process with bounded memory copies it,
row by row, into a new one.
"""

from __future__ import annotations

import hashlib
import json
import math
import os
import stat
import struct
import subprocess
import sys
import tempfile
import tomllib
import zipfile
from contextlib import contextmanager
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING, Any

from campledger import __version__
from campledger.app.fitout_facts import KIND
from campledger.app.privacy import (
    Leave,
    alias_of,
    plan_table,
    proof_body,
    rig_table,
    runnable_nowhere,
    trip_name,
)
from campledger.app.times import iso, offset_at
from campledger.errors import Fault, InputError, StoreError
from campledger.formats.mapfile import read_map, write_map
from campledger.formats.planfile import parse_plan, read_plan
from campledger.formats.rigfile import read_rig
from campledger.formats.tomlwrite import dump
from campledger.store.extract import Wanted, extract

if TYPE_CHECKING:
    from collections.abc import Iterator, Mapping

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
NEEDED = (MANIFEST, "store.db", "rig.toml", "proofs.json")
PIECE = 1 << 20
CHILD_MEMORY = 1_000_000_000
"""Address space of the process that unpacks a foreign store. [byte]"""
CHILD_TIME = 1800.0
REFUSED = 2
_END = struct.Struct("<4sHHHHIIH")
"""End of the central directory of a zip file (APPNOTE.TXT 4.3.16)."""
CENTRAL_MOST = 4096


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


def _refuse(path: Path, field: str, got: str, expected: str, effect: str) -> InputError:
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
        raise _refuse(
            out,
            "file",
            f"{folder if not out.is_dir() else out}",
            "a file in a folder that can be written",
            "Nothing written.",
        )


# writing


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
    leave = Leave(
        places=places, notes=leave_notes, alias="" if places else alias_of(store)
    )
    rig = rig_table(tomllib.loads(rig_file.read_text(encoding="utf-8-sig")), leave)
    start, end = (-math.inf, math.inf) if whole else (trip.start_utc, trip.end_utc)
    documents = _documents(store, (start, end), leave)
    names = {b.recorder for b in store.boots()}
    renamed = {} if places else _recorders(names, leave)
    texts: dict[str, str] = {"rig.toml": dump(rig)}
    plan = _plan(store, trip, plan_file, leave)
    if plan:
        texts["plan.toml"] = plan
    if map_file is not None:
        texts["map.toml"] = write_map(read_map(map_file))
    proofs = [
        {"time_utc": iso(when) if math.isfinite(when) else None, **body}
        for kind, when, _, body in documents
        if kind == "proof"
    ]
    texts["proofs.json"] = json.dumps(proofs, ensure_ascii=False, indent=1)
    with tempfile.TemporaryDirectory(prefix=".archive-", dir=out.parent) as folder:
        copy = Path(folder) / "store.db"
        done = extract(
            store.file,
            copy,
            Wanted(start=start, end=end, recorders=renamed, documents=documents),
        )
        files = {n: t.encode() for n, t in texts.items()}
        about = {
            "format": FORMAT,
            "version": FORMAT_VERSION,
            "campledger": __version__,
            "rig": rig["rig"]["name"],
            "trip": trip_name(
                trip.start_utc, trip.name, offset_at(zone, trip.start_utc), leave
            ),
            "start": iso(trip.start_utc),
            "end": iso(trip.end_utc),
            "whole": whole,
            "rows": done.rows,
            "with_places": places,
            "with_notes": leave_notes,
            "members": {
                **{n: _facts_of(data) for n, data in files.items()},
                "store.db": _facts(copy),
            },
        }
        files[MANIFEST] = json.dumps(about, ensure_ascii=False, indent=1).encode()
        part = Path(folder) / "archive"
        try:
            _pack(part, files, copy)
            part.replace(out)
        except OSError as error:
            why = (error.strerror or str(error)).lower()
            raise _refuse(out, "file", why, "room", "Nothing written.") from error
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


def _facts_of(data: bytes) -> dict[str, object]:
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


# opening


def open_archive(path: Path, out: Path) -> Archived:
    """
    Open an archive into a folder; nothing stands there unless all of it is right.

    Parameters
    ----------
    path : Path
        The archive, from anywhere.
    out : Path
        A folder that does not exist or is empty.

    Raises
    ------
    InputError
        It is not an archive, or something in it is not as it says.
    """
    if out.exists() and (not out.is_dir() or any(out.iterdir())):
        raise _refuse(
            out, "--out", "something there", "a new or empty folder", "Nothing opened."
        )
    out.parent.mkdir(parents=True, exist_ok=True)
    with tempfile.TemporaryDirectory(prefix=".open-", dir=out.parent) as folder:
        done = unpack_archive(path, Path(folder))
        out.mkdir(exist_ok=True)
        for file in Path(folder).iterdir():
            file.replace(out / file.name)
    return done


@contextmanager
def opened_archive(path: Path) -> Iterator[tuple[Path, Archived]]:
    """Open an archive into a folder that goes away again."""
    with tempfile.TemporaryDirectory(prefix="campledger-") as folder:
        done = unpack_archive(path, Path(folder))
        yield Path(folder), done


def unpack_archive(path: Path, folder: Path) -> Archived:
    """
    Unpack and check an archive into a folder.

    Raises
    ------
    InputError
        As `open_archive`.
    """
    try:
        with zipfile.ZipFile(_bounded(path)) as zipped:
            infos = _members(path, zipped)
            about = _manifest(path, zipped)
            listed = about["members"]
            if set(listed) != set(infos) - {MANIFEST}:
                raise _damaged(path, "members", "others than the manifest names")
            raw = folder / ".foreign.db"
            texts = {}
            for name in infos:
                if name == MANIFEST:
                    continue
                if name == "store.db":
                    _copy_out(path, zipped, name, listed[name], raw)
                else:
                    texts[name] = _text(path, zipped, name, listed[name])
    except (zipfile.BadZipFile, NotImplementedError, OSError, RuntimeError) as error:
        raise _damaged(path, "file", str(error)[:80].lower()) from error
    _write_texts(path, folder, texts)
    try:
        rows = unpack_store(raw, folder / "campledger.db")
    except StoreError as error:
        raise _damaged(path, "store.db", str(error)[:120]) from error
    finally:
        raw.unlink(missing_ok=True)
    return Archived(
        rig=about["rig"],
        trip=about["trip"],
        start_utc=about["start_utc"],
        end_utc=about["end_utc"],
        rows=rows,
        members=tuple(infos),
        size=path.stat().st_size,
    )


def _damaged(path: Path, field: str, got: str) -> InputError:
    return _refuse(path, field, got, "a whole campledger archive", "Nothing opened.")


def _bounded(path: Path) -> Path:
    """Look at the end of the file first: how much would be read into memory?"""
    if not path.is_file():
        raise _refuse(path, "file", "no such file", "an archive", "Nothing opened.")
    size = path.stat().st_size
    if size < _END.size or size > sum(MEMBERS.values()) + PIECE:
        raise _damaged(path, "size", f"{size} bytes")
    with path.open("rb") as file:
        file.seek(-_END.size, os.SEEK_END)
        mark, disk, other, here, count, length, at, note = _END.unpack(
            file.read(_END.size)
        )
    plain = mark == b"PK\x05\x06" and not disk and not other and not note
    fits = count == here <= len(MEMBERS) and length <= CENTRAL_MOST
    if not (plain and fits and at + length + _END.size == size):
        raise _damaged(path, "directory", "another form")
    return path


def _members(path: Path, zipped: zipfile.ZipFile) -> dict[str, zipfile.ZipInfo]:
    out: dict[str, zipfile.ZipInfo] = {}
    for info in zipped.infolist():
        name = info.orig_filename
        if name not in MEMBERS or name in out:
            raise _damaged(path, "member", f'"{name[:60]}"')
        kind = stat.S_IFMT(info.external_attr >> 16)
        if kind not in (0, stat.S_IFREG) or info.flag_bits & 1:
            raise _damaged(path, name, "no plain file")
        if info.compress_type != zipfile.ZIP_STORED:
            raise _damaged(path, name, "compressed data")
        if info.file_size != info.compress_size or info.file_size > MEMBERS[name]:
            raise _damaged(path, name, f"{info.file_size} bytes")
        out[name] = info
    missing = [n for n in NEEDED if n not in out]
    if missing:
        raise _damaged(path, "members", f"no {missing[0]}")
    if sum(i.file_size for i in out.values()) > path.stat().st_size:
        raise _damaged(path, "members", "members that overlap")
    return out


def _manifest(path: Path, zipped: zipfile.ZipFile) -> dict[str, Any]:
    about = _json(path, MANIFEST, zipped.read(MANIFEST))
    if not isinstance(about, dict) or about.get("format") != FORMAT:
        raise _damaged(path, MANIFEST, "another format")
    if about.get("version") != FORMAT_VERSION:
        raise _damaged(path, MANIFEST, f"version {about.get('version')!r:.20}")
    try:
        for name in ("rig", "trip"):
            about[name] = str(about[name])[:200]
        for name in ("start", "end"):
            about[f"{name}_utc"] = _moment(about[name])
        members = about["members"]
        sized = all(
            isinstance(m["size"], int) and isinstance(m["sha256"], str)
            for m in members.values()
        )
    except (KeyError, TypeError, ValueError, AttributeError) as error:
        raise _damaged(path, MANIFEST, f"no {error}"[:60]) from error
    if not sized:
        raise _damaged(path, MANIFEST, "no sizes")
    return about


def _moment(text: str) -> float:
    from datetime import datetime  # noqa: PLC0415

    return datetime.fromisoformat(text).timestamp()


def _json(path: Path, name: str, data: bytes) -> Any:  # noqa: ANN401
    try:
        return json.loads(data)
    except (ValueError, RecursionError) as error:
        raise _damaged(path, name, "no JSON") from error


def _text(
    path: Path, zipped: zipfile.ZipFile, name: str, listed: Mapping[str, Any]
) -> bytes:
    with zipped.open(name) as file:
        data = file.read(MEMBERS[name] + 1)
    if len(data) > MEMBERS[name] or _facts_of(data) != dict(listed):
        raise _damaged(path, name, "another size or check sum than its manifest says")
    return data


def _copy_out(
    path: Path,
    zipped: zipfile.ZipFile,
    name: str,
    listed: Mapping[str, Any],
    target: Path,
) -> None:
    digest, size = hashlib.sha256(), 0
    with zipped.open(name) as file, target.open("wb") as to:
        while block := file.read(PIECE):
            size += len(block)
            if size > MEMBERS[name]:
                raise _damaged(path, name, f"more than {MEMBERS[name]} bytes")
            digest.update(block)
            to.write(block)
    if {"size": size, "sha256": digest.hexdigest()} != dict(listed):
        raise _damaged(path, name, "another size or check sum than its manifest says")


def _write_texts(path: Path, folder: Path, texts: Mapping[str, bytes]) -> None:
    """Write what is text, read and written anew, so that only what is meant stands."""
    try:
        rig = tomllib.loads(texts["rig.toml"].decode())
    except (tomllib.TOMLDecodeError, UnicodeDecodeError, RecursionError) as error:
        raise _damaged(path, "rig.toml", "no TOML") from error
    (folder / "rig.toml").write_text(dump(runnable_nowhere(rig)), encoding="utf-8")
    read_rig(folder / "rig.toml")
    proofs = _json(path, "proofs.json", texts["proofs.json"])
    text = json.dumps(proofs, ensure_ascii=False, indent=1)
    (folder / "proofs.json").write_text(text + "\n", encoding="utf-8")
    if "plan.toml" in texts:
        (folder / "plan.toml").write_bytes(texts["plan.toml"])
        read_plan(folder / "plan.toml")
    if "map.toml" in texts:
        (folder / "map.toml").write_bytes(texts["map.toml"])
        read_map(folder / "map.toml")


def unpack_store(source: Path, target: Path) -> int:
    """
    Copy a foreign store, row by row, in a process whose memory is bounded.

    Raises
    ------
    StoreError
        It cannot be used; nothing of it was.
    """
    words = [str(source), str(target), str(CHILD_MEMORY)]
    try:
        child = subprocess.run(  # noqa: S603
            [sys.executable, "-m", "campledger.app.unpacking", *words],
            capture_output=True,
            timeout=CHILD_TIME,
            check=False,
            env={**os.environ, "OMP_NUM_THREADS": "1", "OPENBLAS_NUM_THREADS": "1"},
        )
    except subprocess.TimeoutExpired:
        line = f"a store that takes more than {CHILD_TIME:.0f} s to copy"
    else:
        said = child.stdout.decode(errors="replace").strip().splitlines()
        if child.returncode == 0 and said and said[-1].isdigit():
            return int(said[-1])
        told = child.stderr.decode(errors="replace").strip().splitlines()
        refused = child.returncode == REFUSED and told
        line = told[-1] if refused else "a store that cannot be read"
    for left in target.parent.glob(f"{target.name}*"):
        left.unlink(missing_ok=True)
    raise StoreError(line)
