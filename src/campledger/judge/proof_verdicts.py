"""
Verdicts of the proof steps, from what the sensors read and what the meter said.

Pure. Limits are common practice, no source: scale 0.97 to 1.03, zero within two counts
of the chip or 20 mA, volts within 0.03 V, standing draw within 0.15 A of what is
described. A correction is offered for what can be corrected, never applied.
"""

from __future__ import annotations

import math
from dataclasses import dataclass, field
from typing import TYPE_CHECKING

from campledger.judge.finding import CorrectionOffer

if TYPE_CHECKING:
    from collections.abc import Callable, Mapping, Sequence

    from campledger.judge.proofs import Step
    from campledger.model.rig import Correction

SCALE_LOW, SCALE_HIGH = 0.97, 1.03
LEAST_CURRENT = 1.0
"""Below this a clamp meter proves no scale. [A] Common practice, no source."""
SMALL_CURRENT = 0.05
"""Agreement of small currents. [A] Common practice, no source."""
DIP, COOLED, QUIET = 0.2, 1.0, 0.3
"""Crank dip [V], cooling [K] and current of an open isolator [A]; no source."""
ANSWERED = 0.9
"""Share of readings that must be there through a crank."""
ZERO_MOST = 0.5
"""A larger zero is a current that flows: no offset is offered. [A] No source."""
CLOCK = 5.0
"""How well a person reads a clock. [s]"""


@dataclass(frozen=True, kw_only=True)
class Memory:
    """What earlier steps found: zeros by channel, and the load reading of step 2."""

    zeros: Mapping[str, float] = field(default_factory=dict)
    load: float = math.nan


@dataclass(frozen=True, kw_only=True)
class Outcome:
    """
    The verdict of one step.

    ``logged`` and ``typed`` are in the channel's unit, NaN without a number; ``text``
    is the sentence. ``correction`` is the block to accept, None if none helps.
    """

    passed: bool
    text: str
    logged: float = math.nan
    typed: float = math.nan
    correction: CorrectionOffer | None = None
    memory: Memory = field(default_factory=Memory)


def judge_step(
    step: Step,
    readings: Mapping[str, Sequence[float]],
    typed: float,
    memory: Memory,
    corrections: Sequence[Correction] = (),
) -> Outcome:
    """
    Judge one step.

    Parameters
    ----------
    step : Step
        What was asked.
    readings : mapping of str to sequence of float
        By channel, in time order, corrected as the rig file says; NaN = missing.
    typed : float
        The meter, NaN where it was not asked.
    memory : Memory
        What earlier steps found.
    corrections : sequence of Correction
        Those that are in force, so that an offer replaces them.

    Returns
    -------
    outcome : Outcome
        Not passed where nothing was read.
    """
    seen = [x for x in readings.get(step.channel, ()) if math.isfinite(x)]
    if not seen:
        return Outcome(
            passed=False,
            text=f"No reading of {step.channel}.",
            typed=typed,
            memory=memory,
        )
    found = _RULES[step.kind](_Case(step, readings, seen, typed, memory))
    if found.correction is None:
        return found
    offer = _in_force(found.correction, corrections)
    return Outcome(**{**found.__dict__, "correction": offer})


def judge_cut(
    pulled_utc: float, last_utc: float, *, restarted: bool, window: float
) -> Outcome:
    """
    Judge the pulled plug.

    Parameters
    ----------
    pulled_utc : float
        When it was pulled, as typed. [s]
    last_utc : float
        Last stored reading before; NaN if there is none. [s]
    restarted : bool
        Whether readings go on after it.
    window : float
        Most that may be lost. [s]

    Returns
    -------
    outcome : Outcome
        With the seconds lost in ``logged``.
    """
    if not restarted or not math.isfinite(last_utc):
        return Outcome(
            passed=False,
            text="The store shows no readings from before and after that time.",
        )
    lost = pulled_utc - last_utc
    passed = -CLOCK <= lost <= window + CLOCK
    text = f"Last reading {lost:.0f} s before the plug; {window:g} s are allowed."
    return Outcome(passed=passed, text=text, logged=lost, typed=window)


@dataclass(frozen=True)
class _Case:
    step: Step
    readings: Mapping[str, Sequence[float]]
    seen: Sequence[float]
    typed: float
    memory: Memory

    @property
    def mean(self) -> float:
        return sum(self.seen) / len(self.seen)

    @property
    def zero(self) -> float:
        return self.memory.zeros.get(self.step.channel, 0.0)


def _zero(case: _Case) -> Outcome:
    zero, limit = case.mean, case.step.tolerance or 0.0
    passed = abs(zero) <= limit
    text = f"Reads {zero:+.3f} A with nothing connected; {limit:.3f} A are allowed."
    flows = abs(zero) > ZERO_MOST
    if flows:
        text += " That is a current, no zero error: something is still connected."
    elif not passed:
        text += f" That is {24 * abs(zero):.1f} Ah a day of phantom current."
    zeros = dict(case.memory.zeros)
    if not flows:
        zeros[case.step.channel] = zero
    return Outcome(
        passed=passed,
        text=text,
        logged=zero,
        typed=0.0,
        correction=(
            None if passed or flows else _offer(case, 1.0, -zero, "isolated test")
        ),
        memory=Memory(zeros=zeros, load=case.memory.load),
    )


def _load(case: _Case) -> Outcome:
    memory = Memory(zeros=case.memory.zeros, load=case.mean)
    return _scaled(case, -abs(case.typed), case.mean - case.zero, memory)


def _circuit(case: _Case) -> Outcome:
    steady = _tail(case.seen)
    return _scaled(case, abs(case.typed), steady - case.zero, case.memory)


def _switch(case: _Case) -> Outcome:
    """Judge an unmetered circuit by the step of the house current and volts."""
    before, after = case.seen[0], _tail(case.seen)
    step = before - after
    wanted = abs(case.typed)
    volts = [x for x in case.readings.get("voltage_house_v", ()) if math.isfinite(x)]
    text = f"The house current moved by {-step:+.2f} A; the clamp says {wanted:.2f} A."
    if step < 0 < wanted and abs(step) > wanted / 2:
        return Outcome(
            passed=False,
            text=text + " A load shows as charge: the sense leads are swapped.",
            logged=step,
            typed=wanted,
            correction=_offer(case, -1.0, 0.0, "sense leads swapped"),
            memory=case.memory,
        )
    ratio = wanted / step if step else math.inf
    small = abs(step - wanted) <= SMALL_CURRENT
    if len(volts) > 1 and step > 0:
        text += f" Volts moved by {1000 * (_tail(volts) - volts[0]):+.0f} mV."
    return Outcome(
        passed=small or SCALE_LOW <= ratio <= SCALE_HIGH,
        text=text,
        logged=step,
        typed=wanted,
        memory=case.memory,
    )


def _scaled(case: _Case, wanted: float, found: float, memory: Memory) -> Outcome:
    text = f"Reads {found:+.2f} A where the clamp says {wanted:+.2f} A."
    made = Outcome(passed=False, text=text, logged=found, typed=wanted, memory=memory)
    if abs(wanted) < LEAST_CURRENT:
        passed = abs(found - wanted) <= SMALL_CURRENT
        text += f" Below {LEAST_CURRENT:g} A no scale is proved."
        return Outcome(**{**made.__dict__, "passed": passed, "text": text})
    if abs(found) < SMALL_CURRENT:
        text += " It does not see this load: is the shunt in that wire?"
        return Outcome(**{**made.__dict__, "text": text})
    scale = wanted / found
    passed = SCALE_LOW <= scale <= SCALE_HIGH
    text += f" Scale {scale:.3f}, 0.97 to 1.03 are allowed."
    if scale < 0:
        text += " The sense leads are swapped."
    offset = -scale * case.zero
    reason = "sense leads swapped" if scale < 0 else "scale by clamp meter"
    offer = None if passed else _offer(case, scale, offset, reason)
    return Outcome(
        **{**made.__dict__, "passed": passed, "text": text, "correction": offer}
    )


def _flip(case: _Case) -> Outcome:
    now, before = case.mean - case.zero, case.memory.load - case.zero
    if math.isfinite(before):
        passed = now * before < 0
        text = f"Was {before:+.2f} A with the load, is {now:+.2f} A with the charger."
    else:
        passed = now > 0
        text = f"Reads {now:+.2f} A with the charger; step 2 was not made."
    if not passed:
        text += " The sign must turn over: is a load still on, or the charger idle?"
    return Outcome(passed=passed, text=text, logged=now, memory=case.memory)


def _volts(case: _Case) -> Outcome:
    error = case.mean - case.typed
    passed = abs(error) <= (case.step.tolerance or 0.0)
    text = f"Reads {case.mean:.3f} V where the meter says {case.typed:.3f} V."
    if not passed:
        text += " One point only: measure again when the battery stands elsewhere."
    return Outcome(
        passed=passed,
        text=text,
        logged=case.mean,
        typed=case.typed,
        correction=None if passed else _offer(case, 1.0, -error, "voltmeter"),
        memory=case.memory,
    )


def _crank(case: _Case) -> Outcome:
    total = len(case.readings[case.step.channel])
    share = len(case.seen) / total
    dip = max(case.seen) - min(case.seen)
    text = f"Dipped by {dip:.2f} V to {min(case.seen):.2f} V"
    text += f", {100 * share:.0f} % of the readings are there."
    passed = dip >= DIP and share >= ANSWERED
    if dip < DIP:
        text += " No dip was seen: was it cranked?"
    elif not passed:
        text += " Readings were lost: feed sensors and logger through a hold-up."
    return Outcome(passed=passed, text=text, logged=min(case.seen), memory=case.memory)


def _isolator(case: _Case) -> Outcome:
    last = case.seen[-1]
    unit = "" if case.step.channel.startswith("state") else " A"
    text = f"Was {case.seen[0]:.2f}{unit} with the engine, is {last:.2f}{unit}."
    passed = abs(last) <= QUIET < abs(case.seen[0])
    if abs(case.seen[0]) <= QUIET:
        text += " It was not closed at the start."
    elif not passed:
        text += " It has not dropped in three minutes."
    return Outcome(passed=passed, text=text, logged=last, memory=case.memory)


def _cool(case: _Case) -> Outcome:
    fallen = case.seen[0] - _tail(case.seen)
    text = f"From {case.seen[0]:.1f} to {case.seen[-1]:.1f} degC in the time."
    passed = fallen >= COOLED
    if not passed:
        text += " It does not cool: power, plug, or the probe is not inside."
    return Outcome(passed=passed, text=text, logged=fallen, memory=case.memory)


def _idle(case: _Case) -> Outcome:
    found = abs(_tail(case.seen) - case.zero)
    wanted = abs(case.typed)
    text = f"Idles at {found:.2f} A; the clamp says {wanted:.2f} A"
    text += f", {24 * wanted:.1f} Ah a day if left on."
    close = abs(found - wanted) <= SMALL_CURRENT
    passed = close or SCALE_LOW <= found / max(wanted, 1e-9) <= SCALE_HIGH
    return Outcome(
        passed=passed, text=text, logged=found, typed=wanted, memory=case.memory
    )


def _standing(case: _Case) -> Outcome:
    draw = -(case.mean - case.zero)
    known = case.step.expected or 0.0
    beyond = draw - known
    passed = draw >= -SMALL_CURRENT and beyond <= (case.step.tolerance or 0.0)
    text = f"Standing draw {draw:.2f} A, {known:.2f} A of it described"
    text += f": {24 * draw:.1f} Ah a day."
    if not passed:
        text += " Pull the fuses one by one to find the rest."
    return Outcome(
        passed=passed, text=text, logged=draw, typed=known, memory=case.memory
    )


def _tail(values: Sequence[float]) -> float:
    """Give the mean of the last third."""
    part = values[-max(1, len(values) // 3) :]
    return sum(part) / len(part)


def _offer(case: _Case, scale: float, offset: float, reason: str) -> CorrectionOffer:
    return CorrectionOffer(
        channel=case.step.channel,
        scale=scale,
        offset=offset,
        reason=f"proof step {case.step.number}: {reason}",
        text="",
    )


def _in_force(
    offer: CorrectionOffer, corrections: Sequence[Correction]
) -> CorrectionOffer:
    """Join an offer with what is in force, and write the block that replaces it."""
    scale, offset, old = offer.scale, offer.offset, False
    for known in corrections:
        if known.channel == offer.channel:
            offset += scale * known.offset
            scale *= known.scale
            old = True
    first = "# instead of the one for this channel\n" if old else ""
    text = (
        f"{first}[[correction]]\n"
        f'channel = "{offer.channel}"\n'
        f"scale = {scale:.5g}\n"
        f"offset = {offset:.5g}\n"
        f'reason = "{offer.reason}"\n'
    )
    return CorrectionOffer(
        channel=offer.channel,
        scale=scale,
        offset=offset,
        reason=offer.reason,
        text=text,
    )


_RULES: Mapping[str, Callable[[_Case], Outcome]] = {
    "zero": _zero,
    "load": _load,
    "flip": _flip,
    "circuit": _circuit,
    "switch": _switch,
    "volts": _volts,
    "crank": _crank,
    "isolator": _isolator,
    "cool": _cool,
    "idle": _idle,
    "standing": _standing,
}
