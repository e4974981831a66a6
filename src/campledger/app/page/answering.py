"""
The short process: work the answers out and leave them as finished files.

It runs at low priority, within limits, one at a time with other heavy work; if it dies
the page goes on serving what there was.
"""

from __future__ import annotations

import argparse
import hashlib
import os
import resource
import time
from contextlib import suppress
from dataclasses import replace
from pathlib import Path
from typing import TYPE_CHECKING

from campledger.app.answers import Asked, answer, facts_at
from campledger.app.context import Session, now_of, session, statement_of
from campledger.app.page.looking import is_driving
from campledger.app.page.places import (
    DRIVING,
    FACTS,
    LIVE,
    TRIED,
    make_folder,
    put,
    put_json,
    take_json,
)
from campledger.app.page.trying import Change, from_json
from campledger.app.parked import stand
from campledger.app.times import parse_time
from campledger.errors import CampledgerError, StoreBusyError
from campledger.judge.enough_types import Drive, Question
from campledger.present import wording as w
from campledger.present.cautions import cautions_for
from campledger.present.phone import account, ask, lines
from campledger.present.phone.markup import how, items, paragraphs, section, text
from campledger.store.file import Lock

if TYPE_CHECKING:
    from campledger.judge.enough_types import Enough
    from campledger.judge.statement_types import Statement
    from campledger.model.series import TripRecord

NICE = 15
DATA_MOST = 240_000_000
"""Private memory of the process, below the unit's own limit. [byte] Measured: 92 MB
resident at most, on ten days."""
CPU_MOST = 600
"""Computing time of the process. [s]"""
LOCK_WAIT = 120.0
HOUR = 3600.0
TRIED_MOST = 60
NOTES = 5
PARKED_HOW = [
    "Standing draw: the low end of the nights of this trip (measured). In hand: worked "
    "out. Self-discharge: a usual figure for this kind of battery (assumed).",
]
LEAVE_HOW = [
    "Full: volts held and a small current together (measured). The fridge's own "
    "thermometer against its set point. The plan as it was frozen.",
]
CLOCKS = {
    "system": "the logger's clock",
    "phone": "your phone's time",
    "typed": "the time you typed",
    "sun": "time from sunrise and sunset, rough",
    "clock": "the recording's clock",
}


def hold_back() -> None:
    """Take the lowest place: priority, memory, computing time."""
    with suppress(OSError):
        os.setpriority(os.PRIO_PROCESS, 0, NICE)
    for kind, most in (
        (resource.RLIMIT_DATA, DATA_MOST),
        (resource.RLIMIT_CPU, CPU_MOST),
    ):
        _, hard = resource.getrlimit(kind)
        if hard == resource.RLIM_INFINITY or hard >= most:
            resource.setrlimit(kind, (most, most))


def question_of(change: Change, s: Session, at: float) -> tuple[Question, float | None]:
    """Put a change into the question of the judge, with its deadline."""
    zone = s.rig.timezone
    until = None
    if change.until:
        until = parse_time(change.until, option="until", zone=zone, base=at)
    drives: tuple[Drive, ...] = ()
    if change.drive:
        start = parse_time(change.at, option="at", zone=zone, base=at)
        drives = (Drive(start_utc=start, duration=change.drive * HOUR),)
    question = Question(drives=drives, sun=change.sun, without=change.without)
    return question, until


def change_words(change: Change) -> list[str]:
    """Say what was changed, for the head of the result."""
    out = [f"with {w.name_of(name).lower()} off" for name in change.without]
    if change.drive:
        out.append(f"with a drive of {w.about(change.drive)} h at {change.at}")
    if change.sun:
        out.append(f"with {lines.SUN_WORDS[change.sun]}")
    if change.until:
        more = change.until[1:-1]
        clock = change.until[0] != "+"
        out.append(f"until {change.until}" if clock else f"for {more} h more")
    return out


def _clock_words(record: TripRecord) -> str:
    if not record.boots:
        return ""
    return CLOCKS.get(record.boots[-1].dated_by, "")


def _notes(record: TripRecord) -> list[tuple[float, str]]:
    return list(record.notes)[-NOTES:][::-1]


def _standing(s: Session) -> tuple[str, str]:
    """Say how long it lasts parked, and whether all is set for leaving."""
    found = stand(s, argparse.Namespace())
    ready = found.ready.text
    verdict = found.lines()[1].split(". ")[0].rstrip(".")
    return (
        paragraphs([w.sentence(found.parked.text)]) + how(paragraphs(PARKED_HOW)),
        paragraphs([f"{verdict}."]) + items(list(ready)) + how(paragraphs(LEAVE_HOW)),
    )


def _cautions(s: Session) -> str:
    """Put the cautions that concern this rig behind taps of their own."""
    return "".join(
        how(paragraphs([c.text]), label=c.title) for c in cautions_for(s.rig)
    )


def live_parts(
    s: Session,
    said: Enough,
    statement: Statement,
    record: TripRecord,
) -> str:
    """Set everything between the first screen and the foot."""
    loads = [load.name for load in s.rig.loads if not load.never_list]
    parked, ready = _standing(s)
    return "".join(
        (
            ask.try_it(loads),
            section("today", "Today's account", account.today(statement)),
            section("lows", "Low point of each day", account.strip(statement)),
            section("parked", "Parked", parked),
            section("leave", "Ready to leave", ready),
            section("cautions", "Cautions", _cautions(s)),
            section("notes", "Notes", ask.notes(_notes(record), said.utc_offset)),
        )
    )


def write_answers(s: Session, folder: Path, *, at_text: str | None = None) -> str:
    """
    Work the answers out and replace the files.

    Returns
    -------
    identity : str
        Of what was written.
    """
    at = now_of(s, at_text=at_text)
    asked = Asked(at=at)
    said = answer(s, asked)
    chosen, record, estimates = facts_at(s, asked)
    statement = statement_of(s, chosen, record, estimates)
    driving = is_driving(record, s.rig, at)
    first = lines.four_lines(said, clock=_clock_words(record))
    rest = live_parts(s, said, statement, record)
    mark = hashlib.sha256((first + rest).encode()).hexdigest()[:16]
    put(folder / LIVE, f"{first}\n<!-- rest -->\n{rest}")
    put(folder / DRIVING, lines.one_line(said))
    put_json(
        folder / FACTS,
        {
            "identity": mark,
            "at": at,
            "as_of": said.as_of,
            "uptime": time.clock_gettime(time.CLOCK_BOOTTIME),
            "written": time.time(),
            "driving": driving,
            "verdict": said.verdict,
            "rig": s.rig.name,
            "loads": [load.name for load in s.rig.loads if not load.never_list],
            "proofs": proofs_markup(s, record),
        },
    )
    return mark


def proofs_markup(s: Session, record: TripRecord) -> str:
    """Set the proof steps that take a meter reading, for a paired phone."""
    from campledger.present.phone.proofs import proofs_form  # noqa: PLC0415

    return proofs_form(s.rig, sorted(record.channels))


def write_tried(s: Session, folder: Path, change: Change) -> None:
    """Answer a "what if" as of the answer that is on the page."""
    facts = take_json(folder / FACTS)
    stated = facts.get("at")
    at = float(stated) if isinstance(stated, (int, float)) else now_of(s)
    question, until = question_of(change, s, at)
    said = answer(s, Asked(at=at, until=until, question=replace(question)))
    name = change.key(str(facts.get("identity", "")))
    put(folder / TRIED / f"{name}.html", lines.tried(said, change_words(change)))
    _thin_out(folder / TRIED)


def _thin_out(folder: Path) -> None:
    found = sorted(folder.glob("*.html"), key=lambda p: p.stat().st_mtime)
    for old in found[:-TRIED_MOST]:
        old.unlink(missing_ok=True)


def failed_words(error: CampledgerError) -> str:
    """Set why there is no answer, as a first screen of its own."""
    return f'<p class="alone"><b class="verdict">Can\'t tell</b> {text(str(error))}</p>'


def run(args: argparse.Namespace) -> int:
    """Do one round: the answers, or one "what if"."""
    hold_back()
    folder = make_folder(Path(args.write_answers))
    with session(args) as s:
        lock = Lock(Path(f"{s.store.path}.heavy"))
        if not lock.take(wait=LOCK_WAIT):
            msg = "other heavy work runs, expected none; try again"
            raise StoreBusyError(msg)
        try:
            if args.change:
                _try(s, folder, from_json(args.change))
            else:
                _answers(s, folder, args.at)
        finally:
            lock.release()
    return 0


def _answers(s: Session, folder: Path, at_text: str | None) -> None:
    try:
        write_answers(s, folder, at_text=at_text)
    except CampledgerError as error:
        _say_no(s, folder, error)


def _say_no(s: Session, folder: Path, error: CampledgerError) -> None:
    put(folder / LIVE, f"{failed_words(error)}\n<!-- rest -->\n")
    put(folder / DRIVING, failed_words(error))
    put_json(
        folder / FACTS,
        {
            "identity": hashlib.sha256(str(error).encode()).hexdigest()[:16],
            "uptime": time.clock_gettime(time.CLOCK_BOOTTIME),
            "written": time.time(),
            "driving": False,
            "verdict": "cannot_tell",
            "rig": s.rig.name,
            "loads": [],
            "proofs": "",
        },
    )


def _try(s: Session, folder: Path, change: Change) -> None:
    try:
        write_tried(s, folder, change)
    except CampledgerError as error:
        name = change.key(str(take_json(folder / FACTS).get("identity", "")))
        put(folder / TRIED / f"{name}.html", failed_words(error))
