"""
Opening an archive from anywhere, with no trust.

Nothing stands in the folder unless all of it is right. The store in it is never used
as it is: a child process with bounded memory copies it, row by row, into a new one.
"""

from __future__ import annotations

import hashlib
import json
import os
import stat
import struct
import subprocess
import sys
import tempfile
import tomllib
import zipfile
from contextlib import contextmanager
from datetime import datetime
from pathlib import Path
from typing import TYPE_CHECKING, Any

from campledger.app.archive import (
    FORMAT,
    FORMAT_VERSION,
    MANIFEST,
    MEMBERS,
    PIECE,
    Archived,
    facts_of,
    refuse,
)
from campledger.app.privacy import runnable_nowhere
from campledger.errors import InputError, StoreError
from campledger.formats.mapfile import read_map
from campledger.formats.planfile import read_plan
from campledger.formats.rigfile import read_rig
from campledger.formats.tomlwrite import dump

if TYPE_CHECKING:
    from collections.abc import Iterator, Mapping

NEEDED = (MANIFEST, "store.db", "rig.toml", "proofs.json")
CHILD_MEMORY = 1_000_000_000
"""Address space of the process that unpacks a foreign store. [byte]"""
CHILD_TIME = 1800.0
REFUSED = 2
_END = struct.Struct("<4sHHHHIIH")
"""End of the central directory of a zip file (APPNOTE.TXT 4.3.16)."""
CENTRAL_MOST = 4096


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
        raise refuse(
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
    return refuse(path, field, got, "a whole campledger archive", "Nothing opened.")


def _bounded(path: Path) -> Path:
    """Look at the end of the file first: how much would be read into memory?"""
    if not path.is_file():
        raise refuse(path, "file", "no such file", "an archive", "Nothing opened.")
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
    if len(data) > MEMBERS[name] or facts_of(data) != dict(listed):
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
