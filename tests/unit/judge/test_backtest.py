"""Past answers against what happened, and the line that counts evenings."""

from types import SimpleNamespace

import numpy as np
import pytest

from campledger.judge.backtest import (
    PastVerdict,
    backtest,
    evening_line,
    is_evening,
    lasted,
    moments,
)

DAY, HOUR = 86400.0, 3600.0
START = 20000 * DAY


def test_moments_hit_six_in_the_evening():
    times = moments(START, START + 3 * DAY, 9.5 * HOUR)
    evenings = [t for t in times if is_evening(t, 9.5 * HOUR)]
    assert len(evenings) == 3
    assert np.all(np.diff(times) == 3 * HOUR)
    assert all(START < t < START + 3 * DAY for t in times)


def series():
    minute = START + 60.0 * np.arange(1, 3 * 1440 + 1)
    return minute, np.linspace(0.9, 0.3, len(minute))


def test_lasted():
    minute, soc = series()
    assert lasted(minute, soc, 0.5, START + HOUR, START + DAY) is True
    assert lasted(minute, soc, 0.5, START + HOUR, START + 2.5 * DAY) is False
    assert lasted(minute, soc, 0.5, START + 2.5 * DAY, START + 2.9 * DAY) is None
    assert lasted(minute, soc, 0.5, START + HOUR, START + 4 * DAY) is None
    hole = np.where(np.arange(len(soc)) > 600, np.nan, soc)
    assert lasted(minute, hole, 0.5, START + HOUR, START + DAY) is None


def answer(verdict, outcome, evening=True):
    return PastVerdict(
        at=0.0, until=1.0, verdict=verdict, chance=1.0, lasted=outcome, evening=evening
    )


def test_the_plain_line_counts_evenings_not_answers():
    said = [answer("yes", True)] * 9 + [answer("yes", False, evening=False)]
    assert evening_line(said) == (
        "Asked every evening at 6 pm: yes on 9 evenings, right on 9 "
        "(by our own count of the battery)."
    )


def test_the_plain_line_names_the_rest():
    said = [
        answer("yes", True),
        answer("yes", False),
        answer("no", False),
        answer("too_close", True),
        answer("yes", None),
    ]
    assert evening_line(said) == (
        "Asked every evening at 6 pm: yes on 2 evenings, right on 1; no on 1 evening, "
        "right on 1; too close to call on 1 (by our own count of the battery). "
        "1 evening more can't be judged."
    )
    assert "no evening" in evening_line([])


def test_backtest_asks_only_with_earlier_moments():
    minute, soc = series()
    asked = []

    def ask(at):
        asked.append(at)
        return SimpleNamespace(
            until=at + 12 * HOUR, verdict="yes", chance_lasts=0.8, utc_offset=0.0
        )

    times = moments(START, START + 2 * DAY, 0.0)
    result = backtest(ask, times, minute, soc, 0.5)
    assert asked == times
    judged = result.judged
    outcomes = np.array([a.lasted for a in judged], dtype=float)
    assert result.brier == pytest.approx(float(np.mean((0.8 - outcomes) ** 2)))
    assert all(a.right == a.lasted for a in judged)
