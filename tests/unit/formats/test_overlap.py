"""Two clocks laid together by what both recorders saw."""

import numpy as np
import pytest

from campledger.formats.overlap import find_offset
from campledger.model.series import Series


def pair(ahead, *, noise=0.005, steps=True, seed=1):
    rng = np.random.default_rng(seed)
    time = np.arange(0.0, 6 * 3600.0, 5.0)
    change = rng.random(len(time)) < 0.03
    level = np.cumsum(np.where(change & steps, rng.normal(0, 0.2, len(time)), 0.0))
    first = Series(time_utc=time, value=12.8 + level + rng.normal(0, noise, len(time)))
    later = slice(1000, 4000)
    second = Series(
        time_utc=time[later] + ahead,
        value=12.79 + level[later] + rng.normal(0, noise, 3000),
    )
    return first, second


@pytest.mark.parametrize("ahead", [0.0, 3600.0, -34200.0, 45.0])
def test_the_offset_is_found_to_the_step(ahead):
    found = find_offset(*pair(ahead))
    assert found.sure
    assert found.seconds == pytest.approx(ahead, abs=found.step)


def test_files_that_share_nothing_are_not_laid_together():
    first, _ = pair(0.0, seed=1)
    _, other = pair(0.0, seed=2)
    found = find_offset(first, other)
    assert not found.sure


def test_a_quiet_night_tells_nothing():
    found = find_offset(*pair(3600.0, steps=False))
    assert not found.sure
