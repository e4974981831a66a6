"""The installer's findings as printed: causes first, each with one meter step."""

from __future__ import annotations

from typing import TYPE_CHECKING

from campledger.judge.finding import Verdict
from campledger.present import wording as w

if TYPE_CHECKING:
    from campledger.judge.finding import Finding, Fitout

PAGE = 79
VERDICT_WORDS = {
    Verdict.PASS: "pass",
    Verdict.FAULT: "FAULT",
    Verdict.WORTH_A_LOOK: "WORTH A LOOK",
    Verdict.CANNOT_TELL: "can't tell",
    Verdict.NOT_FITTED: "not fitted",
}
KIND_WORDS = {
    "standard": "standard",
    "maker": "maker's sheet, as typed",
    "common_practice": "common practice",
    "derived": "derived from the rig",
}
SURE_WORDS = {"measured": "measured", "likely": "likely", "hint": "a hint"}
NOT_A_CERTIFICATE = (
    "Inside or outside the figures that you gave; not a certificate of compliance."
)


def digits_for(value: float) -> int:
    """Give digits so that about three figures show."""
    size = abs(value)
    if size >= 100:
        return 0
    if size >= 10:
        return 1
    return 2 if size >= 0.1 or size == 0 else 3


def scaled(value: float, unit: str) -> tuple[float, str]:
    """Give ohms in milliohms and shares in per cent, all else as it is."""
    if unit == "Ohm":
        return 1000.0 * value, "milliohm"
    if unit.startswith("share"):
        return 100.0 * value, f"%{unit.removeprefix('share')}"
    return value, {"A.h": "Ah", "W.h": "Wh", "Cel": "degC", "1": ""}.get(unit, unit)


def value_words(finding: Finding) -> str:
    """Give the value with its limit and the limit's kind."""
    parts = []
    value, unit = scaled(finding.value, finding.unit)
    if w.known(value):
        digits = digits_for(value)
        text = f"{w.number(value, digits)} {unit}".strip()
        low, high = (
            scaled(v, finding.unit)[0] for v in (finding.value_lo, finding.value_hi)
        )
        if w.known(low) and w.known(high):
            text += f" ({w.number(low, digits)} to {w.number(high, digits)})"
        parts.append(text)
    limit, unit = scaled(finding.limit, finding.unit)
    if w.known(limit):
        kind = KIND_WORDS[str(finding.limit_kind)]
        source = f", {finding.limit_source}" if finding.limit_source else ""
        shown = f"{w.number(limit, digits_for(limit))} {unit}".strip()
        parts.append(f"limit {shown} ({kind}{source})")
    if finding.evidence_count:
        parts.append(
            f"from {finding.evidence_count} {finding.evidence_unit or 'readings'}"
        )
    if finding.from_description:
        parts.append("from the description, not from the record")
    return "; ".join(parts)


def head_words(finding: Finding) -> str:
    """Give ``C1 Volt drop to the fridge: FAULT, measured``."""
    verdict = VERDICT_WORDS[finding.verdict]
    sure = f", {SURE_WORDS[str(finding.sure)]}" if finding.is_alarm else ""
    return f"{finding.id} {finding.title}: {verdict}{sure}"


def _indented(text: str, label: str = "") -> list[str]:
    start = f"    {label}: " if label else "    "
    return w.wrap(w.sentence(text), PAGE, first=start, rest="    ") if text else []


def finding_lines(finding: Finding) -> list[str]:
    """Print one finding that someone has to do something about."""
    lines = [head_words(finding)]
    lines += _indented(finding.reads)
    lines += _indented(value_words(finding))
    if finding.cause_of:
        lines += _indented(f"explains {w.listed(finding.cause_of)}")
    lines += _indented(finding.next, "Next")
    lines += _indented(finding.care, "Care")
    return lines


def _short(finding: Finding) -> list[str]:
    needs = f" - needs {w.listed(finding.needs)}" if finding.needs else ""
    reads = f" - {finding.reads}" if finding.reads and not needs else ""
    line = f"{finding.id} {finding.title}{needs}{reads}"
    return w.wrap(line, PAGE, first="  ", rest="      ")


def fitout_text(fitout: Fitout) -> str:
    """
    Give the findings as printed.

    Parameters
    ----------
    fitout : Fitout
        Judged findings.

    Returns
    -------
    text : str
        Causes with their folded symptoms, then what can't be told and why, then the
        passes; ends with a line end.
    """
    lines = [*w.wrap(w.sentence(fitout.summary), PAGE), NOT_A_CERTIFICATE]
    for finding in fitout.causes:
        lines += ["", *finding_lines(finding)]
    listed = {f.id for f in fitout.causes}
    loose = [
        f for f in fitout.findings if f.is_alarm and not f.cause and f.id not in listed
    ]
    for finding in loose:
        lines += ["", *finding_lines(finding)]
    folded = [f for f in fitout.findings if f.is_alarm and f.cause]
    for heading, chosen in (
        ("FOLDED UNDER A CAUSE", folded),
        ("CAN'T TELL", _with(fitout, Verdict.CANNOT_TELL)),
        ("PASS", _with(fitout, Verdict.PASS)),
        ("NOT FITTED", _with(fitout, Verdict.NOT_FITTED)),
    ):
        if chosen:
            lines += ["", heading]
            for finding in chosen:
                lines += _short(finding)
    for offer in fitout.corrections:
        lines += ["", f"Correction offered, not applied ({offer.reason}):", offer.text]
    if fitout.next_sensor is not None:
        lines += ["", *w.wrap(w.sentence(fitout.next_sensor.text), PAGE)]
    lines += [w.sentence(text) for text in fitout.aged]
    return "\n".join(lines) + "\n"


def _with(fitout: Fitout, verdict: Verdict) -> list[Finding]:
    return [f for f in fitout.findings if f.verdict is verdict]
