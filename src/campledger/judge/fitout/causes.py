"""
The cause table: which finding explains which others.

A row is (cause, symptom, only if the cause is a fault). A symptom that is an alarm is
folded under the first cause of the table that is an alarm; a page counts causes.
"""

from __future__ import annotations

from dataclasses import replace
from typing import TYPE_CHECKING

from campledger.judge.finding import Finding, Verdict

if TYPE_CHECKING:
    from collections.abc import Sequence

SENSORS = tuple(f"C{n}" for n in range(35, 45))

FOLDS: tuple[tuple[str, tuple[str, ...]], ...] = (
    ("C35", ("C36", "C37", "C38", "C39", "C34", "C28", "C48", "C58", "C53")),
    ("C40", ("C36", "C37", "C39", "C43", "C34", "C48", "C28", "C38")),
    ("C41", ("C39", "C34")),
    ("C36", ("C38", "C39", "C34", "C37", "C53", "C48", "C56", "C28")),
    ("C38", ("C39", "C53", "C52")),
    ("C37", ("C39", "C34", "C28", "C38")),
    ("C57", ("C44", "C3", "C58", "C59", "C43", "C31")),
    ("C5!", ("C1", "C2", "C3", "C31", "C58", "C4")),
    ("C4", ("C1", "C2", "C5", "C3", "C31", "C58")),
    ("C1", ("C2", "C5", "C3", "C31", "C58", "C30")),
    ("C2", ("C3", "C31", "C58")),
    ("C8", ("C9", "C11", "C14", "C52", "C12", "C20")),
    ("C26", ("C13", "C22", "C23", "C24", "C43", "C9")),
    ("C19", ("C9", "C11", "C12", "C14", "C21", "C52", "C10")),
    ("C20", ("C9", "C11", "C12", "C14", "C52", "C10", "C19")),
    ("C12", ("C11", "C14", "C52", "C58")),
    ("C9", ("C11", "C10", "C14", "C52", "C12", "C58")),
    ("C10", ("C11", "C14", "C52", "C58")),
    ("C13", ("C23", "C24", "C22")),
    ("C22", ("C21", "C23", "C24")),
    ("C23", ("C24",)),
    ("C17", ("C16", "C18", "C14")),
    ("C16", ("C18", "C51")),
    ("C18", ("C16",)),
    ("C15", ("C52", "C53", "C14")),
    ("C46", ("C45", "C14", "C52")),
    ("C47", ("C45", "C14", "C52")),
    ("C48", ("C45", "C34", "C39", "C36")),
    ("C45", ("C14", "C52", "C58")),
    ("C14", ("C52", "C53", "C11")),
    ("C31", ("C3",)),
    ("C27", ("C33", "C58")),
    ("C28", ("C34", "C39", "C59", "C58")),
    ("C34", ("C39", "C58")),
    ("C29", ("C28", "C59", "C58")),
    ("C30", ("C58",)),
    ("C33", ("C58",)),
    ("C53!", ("C52", "C29", "C58")),
    ("C52", ("C53", "C58")),
    ("C53", ("C58",)),
)
"""A cause with ! counts only if it is a fault. Order: what hides most comes first."""

FIRST = ("C50", "C18", "C57", "C7", "C6")
"""Roots that are safety matters come right after the sensors."""


def fold(findings: Sequence[Finding]) -> tuple[Finding, ...]:
    """
    Fold symptoms under their causes.

    Parameters
    ----------
    findings : sequence of Finding
        All findings.

    Returns
    -------
    folded : tuple of Finding
        In the same order, with ``cause`` and ``cause_of`` filled in.

    References
    ----------
    .. [1] Common practice, no source.
    """
    by_id = {f.id: f for f in findings}
    parent: dict[str, str] = {}
    for key, symptoms in FOLDS:
        cause = by_id.get(key.rstrip("!"))
        if cause is None or not cause.is_alarm or cause.id in parent:
            continue
        if key.endswith("!") and cause.verdict != Verdict.FAULT:
            continue
        for name in symptoms:
            symptom = by_id.get(name)
            if symptom is None or not symptom.is_alarm or name in parent:
                continue
            if name != cause.id and not _above(parent, cause.id, name):
                parent[name] = cause.id
    children: dict[str, list[str]] = {}
    for name in by_id:
        root = _root(parent, name)
        if root != name:
            children.setdefault(root, []).append(name)
    return tuple(
        replace(
            f,
            cause=_root(parent, f.id) if f.id in parent else "",
            cause_of=tuple(children.get(f.id, ())),
        )
        for f in findings
    )


def _root(parent: dict[str, str], name: str) -> str:
    while name in parent:
        name = parent[name]
    return name


def _above(parent: dict[str, str], name: str, other: str) -> bool:
    """Tell whether ``other`` is already above ``name``."""
    while name in parent:
        name = parent[name]
        if name == other:
            return True
    return False


def roots(findings: Sequence[Finding]) -> tuple[Finding, ...]:
    """
    Give the causes in the order to open them up.

    Parameters
    ----------
    findings : sequence of Finding
        Folded.

    Returns
    -------
    causes : tuple of Finding
        Sensors, safety matters, faults, then the rest; more symptoms first.

    References
    ----------
    .. [1] Common practice, no source.
    """

    def rank(finding: Finding) -> tuple[bool, bool, bool, int]:
        return (
            finding.id not in SENSORS,
            finding.id not in FIRST,
            finding.verdict != Verdict.FAULT,
            -len(finding.cause_of),
        )

    alarms = [f for f in findings if f.is_alarm and not f.cause]
    return tuple(sorted(alarms, key=rank))
