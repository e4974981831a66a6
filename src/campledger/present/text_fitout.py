"""The installer's findings as printed: causes first, each with one meter step."""

from __future__ import annotations

import textwrap
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
    return 1 if size >= 10 else 2


def value_words(finding: Finding) -> str:
    """Give the value with its limit and the limit's kind."""
    parts = []
    if w.known(finding.value):
        digits = digits_for(finding.value)
        text = f"{w.number(finding.value, digits)} {finding.unit}".strip()
        if w.known(finding.value_lo) and w.known(finding.value_hi):
            low = w.number(finding.value_lo, digits)
            text += f" ({low} to {w.number(finding.value_hi, digits)})"
        parts.append(text)
    if w.known(finding.limit):
        digits = digits_for(finding.limit)
        kind = KIND_WORDS[str(finding.limit_kind)]
        source = f", {finding.limit_source}" if finding.limit_source else ""
        limit = f"{w.number(finding.limit, digits)} {finding.unit}".strip()
        parts.append(f"limit {limit} ({kind}{source})")
    if finding.evidence_count:
        unit = finding.evidence_unit or "readings"
        parts.append(f"from {finding.evidence_count} {unit}")
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
    return (
        textwrap.wrap(
            w.sentence(text),
            PAGE,
            initial_indent=start,
            subsequent_indent="    ",
            break_long_words=False,
        )
        if text
        else []
    )


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
    return textwrap.wrap(line, PAGE, initial_indent="  ", subsequent_indent="      ")


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
    lines = [*textwrap.wrap(w.sentence(fitout.summary), PAGE), NOT_A_CERTIFICATE]
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
        lines += ["", *textwrap.wrap(w.sentence(fitout.next_sensor.text), PAGE)]
    lines += [w.sentence(text) for text in fitout.aged]
    return "\n".join(lines) + "\n"


def _with(fitout: Fitout, verdict: Verdict) -> list[Finding]:
    return [f for f in fitout.findings if f.verdict is verdict]
