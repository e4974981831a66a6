"""
The handover page: plain HTML that prints to at most two sheets of A4.

It holds what was measured, against what was described; it certifies nothing. No script,
no picture, nothing from the network.
"""

from __future__ import annotations

import os
from datetime import datetime, timedelta, timezone
from importlib.resources import files
from typing import TYPE_CHECKING

from campledger.judge.finding import Verdict
from campledger.present import wording as w
from campledger.present.cautions import PAGE_LINE, cautions_for
from campledger.present.report_html import esc as escaped
from campledger.present.text_fitout import KIND_WORDS, VERDICT_WORDS, value_words

if TYPE_CHECKING:
    from collections.abc import Iterable
    from pathlib import Path

    from campledger.judge.finding import Finding, Fingerprint, Handover, Proof

NOT_A_CERTIFICATE = (
    "This page is not a certificate of compliance. It sets readings of this vehicle "
    "beside the figures that were given for it."
)
SCALE_OHM = 1000.0


def _date(time_utc: float, offset: float) -> str:
    zone = timezone(timedelta(seconds=offset))
    return datetime.fromtimestamp(time_utc, tz=zone).strftime("%Y-%m-%d %H:%M")


def _table(head: Iterable[str], rows: Iterable[Iterable[str]]) -> str:
    top = "".join(f"<th>{escaped(h)}</th>" for h in head)
    body = "".join(
        "<tr>" + "".join(f"<td>{escaped(c)}</td>" for c in row) + "</tr>"
        for row in rows
    )
    return f"<table><thead><tr>{top}</tr></thead><tbody>{body}</tbody></table>"


def _proof_cells(step: int, words: str, proofs: tuple[Proof, ...]) -> list[str]:
    own = [p for p in proofs if p.step == step]
    if not own:
        return [str(step), words, "not recorded"]
    parts = []
    for proof in own:
        text = "proved" if proof.passed else "FAILED"
        if proof.typed is not None:
            text += f", meter {w.number(proof.typed, 2)}"
        if proof.logged is not None:
            text += f", log {w.number(proof.logged, 2)}"
        parts.append(f"{proof.channel} {text}".strip())
    return [str(step), words, "; ".join(parts)]


def _proofs(page: Handover) -> str:
    rows = [_proof_cells(n, words, page.proofs) for n, words in page.steps]
    proved = {p.step for p in page.proofs if p.passed}
    return f"<h2>Proof steps: {len(proved)} of {len(page.steps)} proved</h2>" + _table(
        ("", "step", "readings as typed"), rows
    )


def _limit_words(finding: Finding) -> str:
    kind = KIND_WORDS.get(str(finding.limit_kind), str(finding.limit_kind))
    words = value_words(finding)
    return words if kind in words else f"{words}; {kind}".lstrip("; ")


def _finding_row(finding: Finding) -> str:
    mark = ' class="alarm"' if finding.is_alarm else ""
    reads = finding.reads
    if finding.cause:
        reads += f" Follows from {finding.cause}."
    count = (
        f" ({finding.evidence_count} {finding.evidence_unit})"
        if finding.evidence_count and finding.evidence_unit
        else ""
    )
    if finding.is_alarm and not finding.cause:
        count += f" Next: {finding.next}"
    verdict = VERDICT_WORDS[finding.verdict]
    limit = _limit_words(finding)
    tail = f" [{escaped(limit)}]" if limit else ""
    return (
        f"<p{mark}><b>{escaped(finding.id)} {escaped(finding.title)}: "
        f"{escaped(verdict)}.</b> {escaped(reads + count)}{tail}</p>"
    )


def _findings(page: Handover) -> str:
    shown = [f for f in page.fitout.findings if f.verdict != Verdict.NOT_FITTED]
    absent = [f for f in page.fitout.findings if f.verdict == Verdict.NOT_FITTED]
    rows = "".join(_finding_row(f) for f in shown)
    text = (
        f"<h2>Findings: {escaped(page.fitout.summary)}</h2>"
        f'<div class="findings">{rows}</div>'
    )
    if absent:
        names = ", ".join(f"{f.id} {f.title}" for f in absent)
        text += f"<p>Not fitted, so not judged: {escaped(names)}.</p>"
    if page.fitout.next_sensor is not None:
        text += f"<p>Next sensor: {escaped(page.fitout.next_sensor.text)}</p>"
    return text


def _fingerprint_lines(made: Fingerprint) -> list[str]:
    lines = [
        f"{place} feed {w.number(SCALE_OHM * ohm, 0)} milliohm"
        for place, ohm in made.loops.items()
    ]
    if w.known(made.resistance_house):
        lines.append(
            f"battery and lugs {w.number(SCALE_OHM * made.resistance_house, 1)} "
            f"milliohm at {w.number(made.resistance_temp, 0)} degC"
        )
    if w.known(made.current_standing):
        lines.append(f"standing draw {w.number(made.current_standing, 2)} A")
    lines += [f"zero of {c} {w.number(a, 3)} A" for c, a in made.zeros.items()]
    if w.known(made.fridge_charge_per_k):
        lines.append(
            f"fridge {w.number(made.fridge_charge_per_k, 2)} Ah a day for each kelvin"
        )
    return lines


def _fingerprint(page: Handover) -> str:
    lines = _fingerprint_lines(page.fitout.fingerprint)
    text = "<h2>Fingerprint for later years</h2><p>"
    text += escaped("; ".join(lines) + "." if lines else "Nothing could be measured.")
    text += "</p>"
    if page.fitout.aged:
        text += f"<p>What aged: {escaped('; '.join(page.fitout.aged))}.</p>"
    return text


def _cautions(page: Handover) -> str:
    rows = "".join(
        f"<p><b>{escaped(c.title)}.</b> {escaped(c.text)}</p>"
        for c in cautions_for(page.rig)
    )
    return f'<h2>Cautions</h2><div class="cautions">{rows}</div>'


def handover_html(page: Handover) -> str:
    """
    Lay out the handover page.

    Parameters
    ----------
    page : Handover
        Everything that stands on it.

    Returns
    -------
    html : str
        One self-contained file.
    """
    css = files("campledger.present").joinpath("handover.css").read_text("utf-8")
    start = _date(page.trip_start_utc, page.utc_offset)
    end = _date(page.trip_end_utc, page.utc_offset)
    described = _table(("described", "as typed"), page.described)
    return (
        '<!doctype html><html lang="en"><head><meta charset="utf-8">'
        '<meta name="viewport" content="width=device-width, initial-scale=1">'
        f"<title>Handover: {escaped(page.vehicle)}</title><style>{css}</style></head>"
        f"<body><h1>Handover: {escaped(page.vehicle)}</h1>"
        f"<p>Shakedown trip {start} to {end}. "
        f'<span class="no">{escaped(NOT_A_CERTIFICATE)}</span></p>'
        f'<div class="pair"><section><h2>Rig as described</h2>{described}</section>'
        f"<section>{_proofs(page)}{_fingerprint(page)}</section></div>"
        f"{_findings(page)}{_cautions(page)}"
        f"<p>{escaped(PAGE_LINE)}</p>"
        '<div class="sign"><div>Installer, name and date</div><div>Signature</div>'
        "<div>Handed over to</div></div></body></html>"
    )


def write_handover(path: Path, page: Handover) -> None:
    """Write the page whole or not at all."""
    part = path.with_name(path.name + ".part")
    with part.open("w", encoding="utf-8") as file:
        file.write(handover_html(page))
        file.flush()
        os.fsync(file.fileno())
    part.replace(path)
