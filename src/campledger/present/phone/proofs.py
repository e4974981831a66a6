"""The proof steps that a person with a meter can type in on a phone."""

from __future__ import annotations

from typing import TYPE_CHECKING

from campledger.judge.proofs import CARE, Step, proof_steps
from campledger.present.phone.markup import text

if TYPE_CHECKING:
    from collections.abc import Sequence

    from campledger.model.rig import Rig

ZERO_LEAST = 0.020
"""Zero error that is always allowed. [A] Common practice, no source."""
METER_KINDS = frozenset({"volts", "load"})
"""Kinds that need only a steady state and a meter; the others lead by the hand, in
``check --live``."""


def meter_steps(rig: Rig, channels: Sequence[str]) -> tuple[Step, ...]:
    """Give the steps of a rig that are a meter reading beside a steady channel."""
    limits = dict.fromkeys(channels, ZERO_LEAST)
    steps = proof_steps(rig, channels, zero_limits=limits)
    return tuple(s for s in steps if s.kind in METER_KINDS and s.ask)


def proofs_form(rig: Rig, channels: Sequence[str]) -> str:
    """Set a small form for each of them; empty where there is none."""
    steps = meter_steps(rig, channels)
    if not steps:
        return ""
    forms = "".join(
        f'<form class="write" data-to="/write" data-kind="proof" '
        f'data-step="{s.number}"><p>Step {s.number}. {text(s.do)} Expected: '
        f"{text(s.see)}.</p>"
        f'<input type="hidden" name="channel" value="{text(s.channel)}">'
        f'<label>{text(s.ask)}<input name="typed" inputmode="decimal" '
        f'autocomplete="off" maxlength="12" required></label>'
        '<button type="submit">Lay it beside the log</button>'
        '<p class="said-back" role="status" aria-live="polite"></p></form>'
        for s in steps
    )
    return (
        '<details class="how" id="proofs"><summary>Meter readings (proofs)</summary>'
        f'<div class="behind"><p>{text(CARE)}</p>{forms}<p class="quiet">All steps, '
        "one by one: <code>campledger check --live</code></p></div></details>"
    )
