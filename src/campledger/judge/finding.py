"""
What a fit-out finding is: verdicts, the evidence beside them, and a trip's result.

Only data lives here. The rules are in ``judge.fitout``; nothing here decides anything.
Core units: V, A, Ohm, A.h, Cel, s; the unit of a finding's value is written beside it.
"""

from __future__ import annotations

from dataclasses import dataclass, field
from enum import StrEnum
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from collections.abc import Mapping

    from campledger.model.rig import Rig


class Verdict(StrEnum):
    """The only five answers; absence of evidence is never a pass."""

    PASS = "pass"  # noqa: S105
    FAULT = "fault"
    WORTH_A_LOOK = "worth_a_look"
    CANNOT_TELL = "cannot_tell"
    NOT_FITTED = "not_fitted"


class Sure(StrEnum):
    """How sure: a number with its band; fits but one other cause; a hint."""

    MEASURED = "measured"
    LIKELY = "likely"
    HINT = "hint"


class LimitKind(StrEnum):
    """Where a limit comes from, printed beside it."""

    STANDARD = "standard"
    MAKER = "maker"
    COMMON_PRACTICE = "common_practice"
    DERIVED = "derived"


@dataclass(frozen=True, kw_only=True)
class Picture:
    """
    The evidence of a finding as plain numbers, for whoever draws it.

    ``kind`` is step, slope, plateau or series. ``x`` and ``y`` have equal length;
    ``line_x``/``line_y`` are a fitted line or a limit, empty if there is none. Labels
    carry the unit in words. Times are s since 1970 UTC.
    """

    kind: str
    title: str
    x: tuple[float, ...]
    y: tuple[float, ...]
    x_label: str
    y_label: str
    line_x: tuple[float, ...] = ()
    line_y: tuple[float, ...] = ()
    line_label: str = ""


@dataclass(frozen=True, kw_only=True)
class Finding:
    """
    One judged point of the fit-out.

    ``value`` and ``limit`` are in ``unit`` (NaN where there is no number).
    ``cause_of`` names findings that are folded under this one; ``cause`` names the one
    that this is folded under, empty for a root. ``needs`` names the channels or events
    that are missing; ``place`` is the part of the rig that is judged.
    """

    id: str
    title: str
    verdict: Verdict
    sure: Sure
    reads: str
    value: float = float("nan")
    value_lo: float = float("nan")
    value_hi: float = float("nan")
    unit: str = ""
    limit: float = float("nan")
    limit_kind: LimitKind = LimitKind.COMMON_PRACTICE
    limit_source: str = ""
    evidence_count: int = 0
    evidence_unit: str = ""
    cause_of: tuple[str, ...] = ()
    cause: str = ""
    next: str = ""
    care: str = ""
    needs: tuple[str, ...] = ()
    place: str = ""
    from_description: bool = False
    picture: Picture | None = None

    @property
    def is_alarm(self) -> bool:
        """Tell whether someone has to do something."""
        return self.verdict in (Verdict.FAULT, Verdict.WORTH_A_LOOK)


@dataclass(frozen=True, kw_only=True)
class Proof:
    """
    One commissioning step as it was typed in (job B6).

    ``step`` is 1..11; ``typed`` what the meter said and ``logged`` what the log said at
    that moment, both in the channel's unit; None where the step has no number.
    """

    step: int
    time_utc: float
    channel: str = ""
    typed: float | None = None
    logged: float | None = None
    passed: bool = True
    text: str = ""


@dataclass(frozen=True, kw_only=True)
class Fingerprint:
    """
    What ages: kept so that a later year can be laid beside it.

    ``loops`` Ohm by place, ``resistance_house`` Ohm, ``current_standing`` A,
    ``zeros`` A by channel, ``fridge_charge_per_k`` A.h a day and K; NaN = not measured.
    """

    made_utc: float
    loops: Mapping[str, float] = field(default_factory=dict)
    resistance_house: float = float("nan")
    resistance_temp: float = float("nan")
    current_standing: float = float("nan")
    zeros: Mapping[str, float] = field(default_factory=dict)
    fridge_charge_per_k: float = float("nan")


@dataclass(frozen=True, kw_only=True)
class CorrectionOffer:
    """A correction that is offered, never applied; ``text`` is the block to accept."""

    channel: str
    scale: float
    offset: float
    reason: str
    text: str


@dataclass(frozen=True, kw_only=True)
class NextSensor:
    """The one channel that would settle most of what can't be told."""

    channel: str
    settles: tuple[str, ...]
    text: str


@dataclass(frozen=True, kw_only=True)
class Fitout:
    """
    The fit-out of one trip.

    ``findings`` are C1..C59 in order; ``sensors`` repeats C35..C44, which were judged
    first. ``causes`` are the roots in the order to open them up.
    """

    sensors: tuple[Finding, ...]
    findings: tuple[Finding, ...]
    causes: tuple[Finding, ...]
    fingerprint: Fingerprint
    next_sensor: NextSensor | None
    corrections: tuple[CorrectionOffer, ...]
    summary: str
    aged: tuple[str, ...] = ()

    def finding(self, name: str) -> Finding:
        """Give a finding by its id."""
        return next(f for f in self.findings if f.id == name)


@dataclass(frozen=True, kw_only=True)
class Handover:
    """Everything that the printed handover page needs, and nothing to look up."""

    vehicle: str
    rig: Rig
    trip_start_utc: float
    trip_end_utc: float
    utc_offset: float
    described: tuple[tuple[str, str], ...]
    proofs: tuple[Proof, ...]
    steps: tuple[tuple[int, str], ...]
    fitout: Fitout
    earlier: Fingerprint | None = None
