"""The trip's own past answers, made again from what was known then."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np

from campledger.judge.enough_types import Question
from campledger.judge.forecast import HOURS_DAY, State, forecast, outlook_of
from campledger.judge.forecast_history import STEP
from campledger.judge.forecast_recalibrate import HORIZONS, answers_of, compare

if TYPE_CHECKING:
    from campledger.judge.forecast import Outlook
    from campledger.judge.forecast_recalibrate import PastAnswer

HOUR = 3600.0
APART = 12
"""Half hours between past origins: six hours. Common practice, no source."""
ORIGINS_MOST = 24
PATHS_PAST = 80
SOC_STD = 0.02
"""Spread of the state at a past origin; it barely moves the net charge. Common
practice, no source."""


def past_answers(outlook: Outlook, rng: np.random.Generator) -> tuple[PastAnswer, ...]:
    """
    Ask again at past origins and compare with what happened since.

    Parameters
    ----------
    outlook : Outlook
        The trip up to now.
    rng : numpy Generator
        Source of chance.

    Returns
    -------
    due : tuple of PastAnswer
        Newest origins first; only those that the record can judge.
    """
    history = outlook.history
    total = len(history.net)
    first = round(HOURS_DAY * HOUR / STEP)
    said: list[PastAnswer] = []
    backs = range(APART, total - first, APART)
    for back in list(backs)[:ORIGINS_MOST]:
        then = history.before(back)
        soc = then.soc[-1] if len(then.soc) else np.nan
        if not np.isfinite(soc):
            continue
        model = outlook.model
        past = outlook_of(then, outlook.rig, outlook.plan, model, outlook.fridges)
        state = State(
            soc=float(soc),
            soc_std=SOC_STD,
            capacity=model.capacity,
            capacity_std=0.05 * model.capacity,
        )
        hours = min(HORIZONS[-1], back * STEP / HOUR)
        made = forecast(
            past,
            state,
            Question(),
            until=then.at + hours * HOUR,
            paths=PATHS_PAST,
            rng=rng,
        )
        said += answers_of(made, then.at)
    return compare(said, history)
