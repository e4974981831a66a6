"""``check --live``: what answers on the buses, then the proof steps one by one."""

from __future__ import annotations

import math
import sys
import time
from dataclasses import asdict, dataclass, field
from datetime import datetime, timedelta
from typing import IO, TYPE_CHECKING

from campledger.app.context import rig_path, store_path
from campledger.app.fitout_facts import proofs_of
from campledger.app.live_sensors import LiveSensors
from campledger.app.output import print_json
from campledger.errors import Fault, InputError
from campledger.judge.finding import Proof
from campledger.judge.proof_verdicts import Memory, Outcome, judge_cut, judge_step
from campledger.judge.proofs import CARE, Step, proof_steps
from campledger.store import open_store

if TYPE_CHECKING:
    import argparse

    from campledger.model.rig import Rig

STEPS = 11
ZERO_LEAST = 0.020
"""Zero error that is always allowed. [A] Common practice, no source."""
CHIP_COUNT = {
    "ina219": 10e-6,
    "ina226": 2.5e-6,
    "ina228": 312.5e-9,
    "ina238": 5e-6,
    "ina3221": 40e-6,
    "ads1115": 7.8125e-6,
}
"""Drop of one count. [V] The chips' data sheets."""


class StoppedError(Exception):
    """The person has had enough."""


@dataclass(kw_only=True)
class Session:
    """What a run of the steps needs and finds."""

    args: argparse.Namespace
    rig: Rig
    sensors: LiveSensors
    talk: IO[str]
    answers: IO[str]
    memory: Memory = field(default_factory=Memory)
    done: list[Proof] = field(default_factory=list)
    offers: dict[str, str] = field(default_factory=dict)

    def say(self, text: str = "") -> None:
        """Write a line to the person."""
        self.talk.write(text + "\n")
        self.talk.flush()

    def ask(self, question: str) -> str:
        """
        Ask and give the answer.

        Raises
        ------
        StoppedError
            The input has ended, or the answer was q.
        """
        self.talk.write(question + " ")
        self.talk.flush()
        line = self.answers.readline()
        if line == "" or line.strip().lower() == "q":
            raise StoppedError
        return line.strip()


def prove(
    args: argparse.Namespace,
    rig: Rig,
    *,
    sensors: LiveSensors | None = None,
    answers: IO[str] | None = None,
) -> int:
    """
    List what answers, then make the proof steps; gives the exit code.

    Raises
    ------
    InputError
        The rig file has no sensors.
    """
    if not rig.sensors:
        raise InputError(
            Fault(
                file=rig_path(args).name,
                field="sensor",
                got="none",
                expected="a [[sensor]] for each chip or meter",
                effect="Nothing to prove.",
            )
        )
    live = sensors or LiveSensors(rig=rig)
    session = Session(
        args=args,
        rig=rig,
        sensors=live,
        talk=sys.stderr if args.json else sys.stdout,
        answers=answers or sys.stdin,
    )
    try:
        found = _look(session)
        _run(session)
    finally:
        live.close()
    _close(session, found)
    failed = any(not p.passed for p in session.done) or _silent(found)
    return 3 if args.strict and failed else 0


def _look(session: Session) -> dict[str, object]:
    """Open the buses and start the sensors; say a line for each."""
    session.say("What answers (nothing is written for this):")
    buses = []
    for bus in session.sensors.open():
        shown = ", ".join(f"{a} ({why})" if why else a for a, why in bus.found)
        session.say(f"  {bus.problem or f'{bus.bus}: {shown or _unlisted(bus.bus)}'}")
        found = [a for a, _ in bus.found]
        buses.append({"bus": bus.bus, "found": found, "problem": bus.problem or None})
    session.say("\nSensors of the rig file (identity, settings, calibration):")
    checked = []
    for sensor in session.sensors.start():
        if sensor.problem:
            session.say(f"  NOT ANSWERING  {sensor.problem}")
        else:
            session.say(f"  answers  {sensor.name}: {', '.join(sensor.channels)}")
        checked.append({"sensor": sensor.name, "problem": sensor.problem or None})
    return {"buses": buses, "sensors": checked}


def _unlisted(bus: str) -> str:
    if bus.startswith(("tcp:", "rtu:")):
        return "a Modbus line is not searched; its devices are asked below"
    return "nothing answers; check supply and leads"


def _silent(found: dict[str, object]) -> bool:
    sensors = found["sensors"]
    assert isinstance(sensors, list)  # noqa: S101
    return any(s["problem"] for s in sensors)


def _run(session: Session) -> None:
    channels = session.sensors.channels()
    steps = proof_steps(
        session.rig, channels, zero_limits=zero_limits(session.rig, channels)
    )
    session.say(f"\nProof steps. {CARE}")
    session.say("Enter = begin, s = leave out, q = stop here.")
    try:
        for step in steps:
            _one(session, step)
    except StoppedError:
        session.say("\nStopped here.")


def zero_limits(rig: Rig, channels: tuple[str, ...]) -> dict[str, float]:
    """Give the largest zero error of each current: two counts or 20 mA. [A]"""
    out = {c: ZERO_LEAST for c in channels if c.startswith("current_")}
    for sensor in rig.sensors:
        for _, channel in sensor.channels:
            count = CHIP_COUNT.get(sensor.driver, 0.0)
            if channel in out and sensor.shunt:
                out[channel] = max(ZERO_LEAST, 2 * count / sensor.shunt)
    return out


def _one(session: Session, step: Step) -> None:
    name = f" ({step.name or step.channel})" if step.name or step.channel else ""
    session.say(f"\nStep {step.number} of {STEPS}{name}: {step.do}")
    session.say(f"  Should be seen: {step.see}.")
    make = _cut if step.kind == "cut" else _measure
    outcome = make(session, step)
    if outcome is None:
        session.say("  Left out: not proved.")
        return
    session.memory = outcome.memory if step.kind != "cut" else session.memory
    session.say(f"  {'PROVED' if outcome.passed else 'FAILED'}: {outcome.text}")
    if outcome.correction is not None:
        session.offers[outcome.correction.channel] = outcome.correction.text
        session.say("  To accept, put into the rig file:")
        for line in outcome.correction.text.splitlines():
            session.say(f"    {line}")
    _store(session, step, outcome)


def _measure(session: Session, step: Step) -> Outcome | None:
    if session.ask(f"  Reads for {_time_words(step.seconds)}.").lower() == "s":
        return None
    shown = session.talk.isatty()

    def tell(left: float) -> None:
        if shown:
            session.talk.write(f"\r  {left:5.0f} s left\x1b[K")
            session.talk.flush()

    readings = session.sensors.collect(step.seconds, tell)
    if shown:
        session.talk.write("\r\x1b[K")
    typed = _typed(session, step) if step.ask else math.nan
    if typed is None:
        return None
    return judge_step(
        step, readings, typed, session.memory, session.sensors.corrections()
    )


def _time_words(seconds: float) -> str:
    return f"{seconds / 60:.0f} min" if seconds >= 120 else f"{seconds:.0f} s"


def _typed(session: Session, step: Step) -> float | None:
    while True:
        text = session.ask(f"  {step.ask}:")
        if text.lower() == "s":
            return None
        try:
            value = float(text.replace(",", "."))
        except ValueError:
            value = math.nan
        if math.isfinite(value):
            return value
        session.say(f'  got "{text}", expected a number as the meter shows it')


def _cut(session: Session, step: Step) -> Outcome | None:
    while True:
        text = session.ask(f"  {step.ask}:")
        if text in {"", "s"}:
            return None
        pulled = _moment(text, session.sensors.wall())
        if pulled is not None:
            break
        session.say(f'  got "{text}", expected a time such as 17:04:30')
    with open_store(store_path(session.args), "read") as store:
        boots = [b for b in store.boots() if b.dated]
    before = [b.end_utc for b in boots if b.start_utc <= pulled]
    after = any(b.start_utc > pulled for b in boots)
    return judge_cut(
        pulled,
        max(before, default=math.nan),
        restarted=after,
        window=step.tolerance or 0.0,
    )


def _moment(text: str, now: float) -> float | None:
    """Take a time of day by this computer's clock: the last such moment."""
    here = datetime.fromtimestamp(now).astimezone()
    try:
        wanted = datetime.strptime(text, "%H:%M:%S").time()  # noqa: DTZ007
    except ValueError:
        return None
    moment = datetime.combine(here.date(), wanted, tzinfo=here.tzinfo)
    if moment > here:
        moment -= timedelta(days=1)
    return moment.timestamp()


def _store(session: Session, step: Step, outcome: Outcome) -> None:
    now = time.time()
    proof = Proof(
        step=step.number,
        time_utc=now,
        channel=step.channel,
        typed=_number(outcome.typed),
        logged=_number(outcome.logged),
        passed=outcome.passed,
        text=outcome.text,
    )
    session.done.append(proof)
    body = {k: v for k, v in asdict(proof).items() if k != "time_utc"}
    path = store_path(session.args, create=True)
    with open_store(path, "write", create=True) as store:
        store.add_entry("proof", now, body)


def _number(value: float) -> float | None:
    return value if math.isfinite(value) else None


def _close(session: Session, found: dict[str, object]) -> None:
    """Say how many steps are proved by now, and which corrections wait."""
    try:
        with open_store(store_path(session.args), "read") as store:
            proofs = proofs_of(store)
    except InputError:
        proofs = ()
    by_step: dict[int, bool] = {}
    for proof in proofs:
        by_step[proof.step] = by_step.get(proof.step, True) and proof.passed
    proved = sorted(n for n, passed in by_step.items() if passed)
    failed = sorted(n for n, passed in by_step.items() if not passed)
    missing = [n for n in range(1, STEPS + 1) if n not in by_step]
    session.say(f"\n{len(proved)} of {STEPS} proved.")
    for words, numbers in (("Failed", failed), ("Not done, or not fitted", missing)):
        if numbers:
            session.say(f"{words}: {', '.join(map(str, numbers))}.")
    if session.offers:
        session.say("\nTo accept, put into the rig file and prove these again:\n")
        session.say("\n".join(session.offers.values()))
    if session.args.json:
        print_json(
            {
                **found,
                "steps": [asdict(p) for p in session.done],
                "proved": proved,
                "failed": failed,
                "not_done": missing,
                "corrections": list(session.offers.values()),
            }
        )
