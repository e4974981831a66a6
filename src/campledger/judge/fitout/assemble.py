"""The whole fit-out: sensors first, then every row; causes folded; what to fit next."""

from __future__ import annotations

from dataclasses import replace
from typing import TYPE_CHECKING

from campledger.judge.finding import (
    CorrectionOffer,
    Finding,
    Fingerprint,
    Fitout,
    NextSensor,
    Proof,
    Verdict,
)
from campledger.judge.fitout import (
    alternator,
    battery,
    charging,
    engine,
    feeds,
    fridge,
    isolator,
    loads,
    readings,
    sensors,
    solar,
    treatment,
    wiring,
)
from campledger.judge.fitout.ageing import take_fingerprint, what_aged
from campledger.judge.fitout.causes import fold, roots
from campledger.judge.fitout.description import check_fuses
from campledger.judge.fitout.evidence import Evidence
from campledger.model.series import parse_channel

if TYPE_CHECKING:
    from campledger.judge.fitout.row import Result, Row
    from campledger.model.estimates import TripEstimates
    from campledger.model.plan import Plan
    from campledger.model.rig import Rig
    from campledger.model.series import TripRecord

SENSOR_ROWS: tuple[Row, ...] = (*readings.ROWS, *sensors.ROWS)
"""Stuck and apart before sign and scale: a dead voltmeter proves no shunt wrong."""
OTHER_ROWS: tuple[Row, ...] = (
    *wiring.ROWS,
    *feeds.ROWS,
    *engine.ROWS,
    *charging.ROWS,
    *alternator.ROWS,
    *isolator.ROWS,
    *loads.ROWS,
    *fridge.ROWS,
    *solar.ROWS,
    *battery.ROWS,
    *treatment.ROWS,
)
ZERO_MATTERS = frozenset({"C28", "C34", "C38", "C39", "C59"})
PATH_MATTERS = frozenset({"C34", "C39", "C53", "C58", "C52"})
LEVEL_MATTERS = frozenset({"C3", "C31"})
ORDER_OF_SENSORS = (
    "current_house_a",
    "voltage_start_v",
    "current_{fridge}_a",
    "voltage_{fridge}_v",
    "temp_house_c",
    "temp_{fridge}_c",
    "voltage_{charger}_in_v",
    "state_engine",
    "current_{solar}_a",
    "current_{inverter}_a",
)
"""Usual order of what to fit next: common practice, no source."""


def _fill(template: str, names: dict[str, str]) -> list[str]:
    """Write out the alternatives of a needed channel."""
    return [part.format(**names) for part in template.split("|")]


def _missing(evidence: Evidence, row: Row) -> tuple[str, ...]:
    found = []
    for template in row.needs:
        options = _fill(template, evidence.names)
        if not any(evidence.has(c) for c in options):
            found.append(options[0])
    return tuple(found)


def _spoiled(evidence: Evidence, row: Row) -> tuple[str, ...]:
    """Channels of a row whose sensor failed."""
    used = [
        channel
        for template in (*row.needs, *row.trusts)
        for channel in _fill(template, evidence.names)
    ]
    marks = set(used) & evidence.failed
    if row.id in ZERO_MATTERS and "zero:current_house_a" in evidence.failed:
        marks.add("current_house_a")
    if row.id in PATH_MATTERS and "path:current_house_a" in evidence.failed:
        marks.add("current_house_a")
    if row.id in LEVEL_MATTERS:
        marks |= {c for c in used if f"level:{c}" in evidence.failed}
    return tuple(sorted(marks))


def judge_row(row: Row, evidence: Evidence) -> Finding:
    """
    Judge one row of the catalogue.

    Parameters
    ----------
    row : Row
        A finding as data.
    evidence : Evidence
        The trip.

    Returns
    -------
    finding : Finding
        Not folded yet.

    References
    ----------
    .. [1] Common practice, no source.
    """
    reason = row.fitted(evidence)
    if reason:
        return _plain(row, Verdict.NOT_FITTED, f"Not fitted: {reason}.")
    missing = _missing(evidence, row)
    if missing:
        return _plain(
            row,
            Verdict.CANNOT_TELL,
            f"Can't tell: {', '.join(missing)} is not measured.",
            missing,
        )
    spoiled = _spoiled(evidence, row)
    if spoiled:
        return _plain(
            row,
            Verdict.CANNOT_TELL,
            f"Can't tell until the sensor of {', '.join(spoiled)} is put right.",
            tuple(f"{c} put right" for c in spoiled),
        )
    return _dress(row, row.rule(evidence))


def _plain(
    row: Row, verdict: Verdict, reads: str, needs: tuple[str, ...] = ()
) -> Finding:
    return Finding(
        id=row.id,
        title=row.title,
        verdict=verdict,
        sure=row.sure,
        reads=reads,
        unit=row.unit,
        limit=row.limit,
        limit_kind=row.kind,
        limit_source=row.source,
        evidence_unit=row.counts,
        next=row.next,
        care=row.care,
        needs=needs,
    )


def _dress(row: Row, result: Result) -> Finding:
    base = _plain(row, result.verdict, result.reads, result.needs)
    if result.verdict == Verdict.CANNOT_TELL:
        return replace(
            base,
            reads=f"Can't tell: {result.reads[0].lower()}{result.reads[1:]}"
            if result.reads[:1].isupper() and not result.reads.startswith("No ")
            else f"Can't tell: {result.reads}",
            evidence_count=result.count,
            place=result.place,
        )
    short = row.minimum > 1 and result.count < row.minimum
    if short:
        return replace(
            base,
            verdict=Verdict.CANNOT_TELL,
            reads=(
                f"Can't tell: {result.count} {row.counts} seen, {row.minimum} needed."
            ),
            evidence_count=result.count,
            needs=(f"more {row.counts}",),
        )
    return replace(
        base,
        sure=result.sure or row.sure,
        value=result.value,
        value_lo=result.lo,
        value_hi=result.hi,
        unit=result.unit or row.unit,
        limit=row.limit if result.limit is None else result.limit,
        limit_kind=result.limit_kind or row.kind,
        limit_source=result.limit_source or row.source,
        evidence_count=result.count,
        place=result.place,
        picture=result.picture,
    )


def _failures(found: dict[str, Finding], evidence: Evidence) -> frozenset[str]:
    """Say what a failed sensor spoils."""
    failed: set[str] = set()
    for name, finding in found.items():
        if not finding.is_alarm:
            continue
        if name == "C40":
            failed |= {c for c in finding.place.split() if evidence.has(c)}
        elif name == "C35":
            failed.add(f"current_{finding.place or 'house'}_a")
        elif name == "C36":
            place = finding.place or "house"
            failed.add(f"current_{place}_a")
        elif name == "C37" and finding.verdict == Verdict.FAULT:
            failed.add("zero:current_house_a")
        elif name == "C38":
            failed.add("path:current_house_a")
        elif name == "C43":
            failed.add(f"level:{finding.place}")
    return frozenset(failed)


def judge_sensors(evidence: Evidence) -> tuple[dict[str, Finding], Evidence]:
    """
    Judge C35 to C44 and mark what they spoil.

    Parameters
    ----------
    evidence : Evidence
        The trip, nothing failed yet.

    Returns
    -------
    found : dict of str to Finding
        By id.
    evidence : Evidence
        With ``failed`` filled in.

    References
    ----------
    .. [1] Common practice, no source.
    """
    found: dict[str, Finding] = {}
    for row in SENSOR_ROWS:
        found[row.id] = judge_row(row, evidence)
        failed = _failures(found, evidence)
        if failed != evidence.failed:
            evidence = _with_failed(evidence, failed)
    return found, evidence


def _with_failed(evidence: Evidence, failed: frozenset[str]) -> Evidence:
    """Copy with other failures, keeping what was worked out already."""
    new = replace(evidence, failed=failed)
    kept = {k: v for k, v in vars(evidence).items() if k not in vars(new)}
    vars(new).update(kept)
    return new


def _corrections(found: dict[str, Finding]) -> tuple[CorrectionOffer, ...]:
    offers = []
    sign, scale, zero = found["C35"], found["C36"], found["C37"]
    house = "current_house_a"
    if sign.verdict == Verdict.FAULT:
        channel = f"current_{sign.place or 'house'}_a"
        offers.append(_offer(channel, -1.0, 0.0, "sense leads swapped (C35)"))
    elif scale.verdict == Verdict.FAULT and scale.place == "house":
        why = f"reads {scale.value:.3f} of the rest (C36)"
        offers.append(_offer(house, 1.0 / scale.value, 0.0, why))
    if zero.verdict == Verdict.FAULT:
        offers.append(_offer(house, 1.0, -zero.value, "isolated test (C37)"))
    return tuple(offers)


def _offer(channel: str, scale: float, offset: float, reason: str) -> CorrectionOffer:
    text = (
        "[[correction]]\n"
        f'channel = "{channel}"\n'
        f"scale = {scale:.4g}\n"
        f"offset = {offset:.4g}\n"
        f'reason = "{reason}"\n'
    )
    return CorrectionOffer(
        channel=channel, scale=scale, offset=offset, reason=reason, text=text
    )


def best_next_sensor(
    findings: tuple[Finding, ...], names: dict[str, str]
) -> NextSensor | None:
    """
    Name the one channel that would settle most of what can't be told.

    Parameters
    ----------
    findings : tuple of Finding
        All of a trip.
    names : dict of str to str
        Names in this rig.

    Returns
    -------
    best : NextSensor or None
        None if no missing channel stands behind a can't tell.

    References
    ----------
    .. [1] Common practice, no source.
    """
    open_by: dict[str, list[str]] = {}
    for finding in findings:
        if finding.verdict != Verdict.CANNOT_TELL:
            continue
        for need in finding.needs:
            if parse_channel(need) is not None:
                open_by.setdefault(need, []).append(finding.id)
    if not open_by:
        return None
    usual = [x.format(**names) for x in ORDER_OF_SENSORS]

    def rank(channel: str) -> tuple[int, int]:
        place = usual.index(channel) if channel in usual else len(usual)
        return -len(open_by[channel]), place

    best = min(open_by, key=rank)
    settles = tuple(open_by[best])
    return NextSensor(
        channel=best,
        settles=settles,
        text=f"{best} would settle {len(settles)} of the open points: "
        f"{', '.join(settles)}.",
    )


def _summary(findings: tuple[Finding, ...], causes: tuple[Finding, ...]) -> str:
    def count(verdict: Verdict) -> int:
        return sum(1 for f in findings if f.verdict == verdict)

    checks = len(findings) - count(Verdict.NOT_FITTED)
    text = (
        f"{checks} checks: {count(Verdict.PASS)} pass, {count(Verdict.FAULT)} faults, "
        f"{count(Verdict.WORTH_A_LOOK)} worth a look, "
        f"{count(Verdict.CANNOT_TELL)} can't tell"
    )
    if causes:
        many = "cause" if len(causes) == 1 else "causes"
        text += f"; {len(causes)} {many} to open up"
    return text + "."


def judge_fitout(
    record: TripRecord,
    rig: Rig,
    estimates: TripEstimates,
    *,
    plan: Plan | None = None,
    proofs: tuple[Proof, ...] = (),
    earlier_fingerprint: Fingerprint | None = None,
) -> Fitout:
    """
    Judge the whole fit-out from a trip.

    Parameters
    ----------
    record : TripRecord
        One trip, on its minute grid.
    rig : Rig
        The vehicle as described.
    estimates : TripEstimates
        Of that trip.
    plan : Plan, optional
        For what ran longer than planned.
    proofs : tuple of Proof
        Commissioning readings as typed in.
    earlier_fingerprint : Fingerprint, optional
        Of an earlier year.

    Returns
    -------
    fitout : Fitout
        C1 to C59 in order, causes folded.

    References
    ----------
    .. [1] Common practice, no source.
    """
    evidence = Evidence(
        record=record,
        rig=rig,
        estimates=estimates,
        plan=plan,
        proofs=tuple(proofs),
        earlier=earlier_fingerprint,
    )
    found, evidence = judge_sensors(evidence)
    for row in OTHER_ROWS:
        found[row.id] = judge_row(row, evidence)
    found["C7"] = check_fuses(rig)
    ordered = tuple(found[f"C{n}"] for n in range(1, 60))
    folded = fold(ordered)
    causes = roots(folded)
    fingerprint = take_fingerprint(evidence)
    by_id = {f.id: f for f in folded}
    return Fitout(
        sensors=tuple(by_id[f"C{n}"] for n in range(35, 45)),
        findings=folded,
        causes=causes,
        fingerprint=fingerprint,
        next_sensor=best_next_sensor(folded, evidence.names),
        corrections=_corrections(by_id),
        summary=_summary(folded, causes),
        aged=what_aged(fingerprint, earlier_fingerprint),
    )


__all__ = ["best_next_sensor", "judge_fitout", "take_fingerprint", "what_aged"]
