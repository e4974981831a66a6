"""What surrounds a stretch: power back after a cut-off is told from a night."""

import numpy as np
import pytest

from campledger.estimate.loads.around import conditions
from campledger.estimate.loads.remainder import Remainder
from campledger.estimate.loads.segments import cut_segments


def dark(volts_before):
    power = np.full(6000, 2.0)
    power[:2000] = 52.0
    power[5000:] = 85.0
    power += np.random.default_rng(1).normal(0, 0.1, 6000)
    volts = np.full(6000, 13.0)
    volts[500:2000] = volts_before
    rest = Remainder(
        time_utc=1.75e9 + np.arange(6000),
        power=power,
        volts=volts,
        source_power=np.zeros(6000),
        interval=1.0,
        hole=5.0,
        averaged=False,
        gains=(),
    )
    return conditions(rest, cut_segments(rest), 0.0, 11.7)


@pytest.mark.parametrize(("volts", "flagged"), [(11.8, 1), (12.9, 0)])
def test_power_comes_back_after_a_cut_off_only(volts, flagged):
    assert int(dark(volts).restart.sum()) == flagged
