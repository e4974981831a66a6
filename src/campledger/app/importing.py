"""Recordings into the store, chunk by chunk, counting what became of each row."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

from campledger.app.clocks import ClockAnswer, Laid, lay_together
from campledger.app.output import Progress
from campledger.errors import Fault
from campledger.formats.importsummary import thousands
from campledger.formats.recording import Recording, read_recording
from campledger.model.series import parse_channel
from campledger.store import Columns

if TYPE_CHECKING:
    from collections.abc import Callable, Sequence
    from pathlib import Path

    from campledger.formats.chunks import Chunk
    from campledger.model.rig import Rig
    from campledger.store import Store

    Opener = Callable[[Path], Recording | None]


@dataclass(frozen=True, kw_only=True)
class Imported:
    """What became of one file; ``sentence`` is the one-line summary."""

    file: str
    rows: int
    added: int
    present: int
    set_aside: int
    missing: int
    sentence: str
    warnings: tuple[Fault, ...]
    channels: tuple[str, ...]


def strangers(channels: Sequence[str], rig: Rig) -> tuple[str, ...]:
    """Name channels whose place is not in the rig: kept, unused."""
    places = rig.places()
    parsed = [parse_channel(name) for name in channels]
    return tuple(c.name for c in parsed if c is not None and c.place not in places)


def import_files(
    store: Store | None,
    rig: Rig,
    files: Sequence[Path],
    *,
    recorder: str = "",
    opener: Opener = read_recording,
    sampling: str = "",
    clock: ClockAnswer | None = None,
) -> tuple[Imported, ...]:
    """
    Import recordings; every file is opened before the first is loaded.

    Parameters
    ----------
    store : Store or None
        None only reads (a dry run).
    rig : Rig
        Names the recorder and the places.
    files : sequence of Path
        In the order given.
    recorder : str
        Default the rig's name.
    opener : callable
        Path to Recording; the default reads native files.
    sampling : str
        point or mean; default as the map, else the rig says.
    clock : ClockAnswer, optional
        What was said about files whose clocks differ; None does not look.

    Raises
    ------
    InputError
        A file cannot be used at all; nothing was loaded.
    """
    opened = [r for r in map(opener, files) if r is not None]
    laid = [Laid()] * len(opened) if clock is None else lay_together(opened, clock)
    return tuple(
        _import_one(store, rig, r, recorder or rig.name, sampling, at)
        for r, at in zip(opened, laid, strict=True)
    )


def _import_one(
    store: Store | None,
    rig: Rig,
    recording: Recording,
    recorder: str,
    sampling: str,
    laid: Laid,
) -> Imported:
    summary = recording.summary
    kind = sampling or recording.layout.sampling or rig.sampling
    progress = Progress(summary.file)
    added = present = 0
    with recording:
        for chunk in recording:
            if store is None:
                added += len(chunk.lines)
                continue
            count = store.import_rows(recorder, _columns(chunk, laid), sampling=kind)
            if len(count.aside):
                recording.reject_rows(chunk, count.aside)
            added += count.added
            present += count.present
            progress.show(f"{thousands(summary.rows)} rows")
    progress.done()
    if store is not None:
        store.seal()
    warnings = [*summary.faults(), *_stranger_lines(summary.file, recording, rig)]
    return Imported(
        file=summary.file,
        rows=summary.rows,
        added=added,
        present=present,
        set_aside=summary.aside,
        missing=summary.missing,
        sentence=_sentence(
            summary.sentence(), present, dry=store is None, clock=laid.text
        ),
        warnings=tuple(warnings),
        channels=recording.channels,
    )


def _columns(chunk: Chunk, laid: Laid) -> Columns:
    time = chunk.time_utc
    if time is not None and laid.seconds:
        time = time - laid.seconds
    return Columns(
        values=chunk.values,
        time_utc=time,
        boot=chunk.boot,
        uptime=chunk.uptime,
    )


def _sentence(text: str, present: int, *, dry: bool, clock: str) -> str:
    if present:
        text += f" {thousands(present)} rows already present."
    if clock:
        text += f" {clock[:1].upper()}{clock[1:]}"
    if dry:
        text += " Dry run: nothing stored."
    return text


def _stranger_lines(file: str, recording: Recording, rig: Rig) -> list[Fault]:
    return [
        Fault(
            file=file,
            line=recording.layout.header_line,
            field=name,
            got="a place that the rig file does not name",
            expected="one of " + ", ".join(sorted(rig.places())),
            effect="Kept, unused.",
        )
        for name in strangers(recording.channels, rig)
    ]
