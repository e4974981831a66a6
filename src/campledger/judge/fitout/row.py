"""
A row of the catalogue as data, and what a rule hands back.

Adding a finding is one function that takes the evidence and gives a `Result`, and one
`Row`. Whatever all findings share (not fitted, channel missing, sensor failed, too
little evidence) is decided from the row, once.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from typing import TypeAlias

from campledger.judge.finding import LimitKind, Picture, Sure, Verdict
from campledger.judge.fitout.evidence import Evidence


@dataclass(frozen=True, kw_only=True)
class Result:
    """
    What a rule found; unset fields are taken from the row.

    ``value`` with ``lo``/``hi`` in the row's unit; ``count`` in the row's count unit.
    """

    verdict: Verdict
    reads: str
    value: float = float("nan")
    lo: float = float("nan")
    hi: float = float("nan")
    count: int = 0
    sure: Sure | None = None
    limit: float | None = None
    limit_kind: LimitKind | None = None
    limit_source: str | None = None
    unit: str | None = None
    needs: tuple[str, ...] = ()
    place: str = ""
    picture: Picture | None = None


Rule: TypeAlias = Callable[[Evidence], Result]
Fitted: TypeAlias = Callable[[Evidence], str]


def always(evidence: Evidence) -> str:
    """Say that the finding applies to every rig."""
    del evidence
    return ""


@dataclass(frozen=True, kw_only=True)
class Row:
    """
    One finding of the catalogue.

    ``needs`` are channels that must exist, with ``{fridge}``, ``{charger}``,
    ``{solar}``, ``{inverter}``, ``{pump}``, ``{logger}`` filled in from the rig. Each
    may name alternatives with ``|``. ``trusts`` are further channels that spoil the
    finding when their sensor failed. ``fitted`` gives a reason why the finding does not
    apply, or nothing. ``minimum`` events in ``counts`` are needed for a verdict.
    """

    id: str
    title: str
    rule: Rule
    needs: tuple[str, ...]
    next: str
    care: str
    limit: float = float("nan")
    unit: str = ""
    kind: LimitKind = LimitKind.COMMON_PRACTICE
    source: str = "common practice, no source"
    minimum: int = 1
    counts: str = ""
    sure: Sure = Sure.MEASURED
    fitted: Fitted = always
    trusts: tuple[str, ...] = ()
    from_description: bool = False


def cannot_tell(reads: str, *needs: str, count: int = 0) -> Result:
    """Say that this record does not tell, and what would."""
    return Result(
        verdict=Verdict.CANNOT_TELL, reads=reads, needs=tuple(needs), count=count
    )
