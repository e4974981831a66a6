import subprocess
import sys

import numpy as np
from hypothesis import given, settings
from hypothesis import strategies as st

from campledger.present.decimate import decimate


def _thin(time, value, columns=50, hole=3.5):
    return decimate(
        time, value, start=time[0], end=time[-1], columns=columns, hole=hole
    )


def test_a_single_spike_of_one_sample_stays():
    time = np.arange(100_000.0)
    value = np.zeros(100_000)
    value[54_321] = -45.0
    thin_time, thin = _thin(time, value, columns=700)
    assert thin.min() == -45.0
    assert thin_time[np.argmin(thin)] == 54_321.0
    assert len(thin) <= 2 * 700 + 2


def test_a_hole_breaks_the_line_and_steady_stretches_do_not():
    time = np.concatenate((np.arange(1000.0), 5000 + np.arange(1000.0)))
    thin_time, thin = _thin(time, np.ones(2000))
    assert np.isnan(thin).sum() == 1
    at = int(np.flatnonzero(np.isnan(thin))[0])
    assert thin_time[at - 1] == 999.0
    assert thin_time[at + 1] == 5000.0


def test_missing_values_are_left_out_and_nothing_gives_nothing():
    time = np.arange(10.0)
    value = np.full(10, np.nan)
    assert len(_thin(time, value)[0]) == 0
    value[4] = 7.0
    thin_time, thin = _thin(time, value)
    assert list(thin_time) == [4.0]
    assert list(thin) == [7.0]


@settings(max_examples=60, deadline=None)
@given(
    st.lists(st.floats(-1e3, 1e3), min_size=2, max_size=400),
    st.integers(1, 60),
)
def test_extremes_bounds_and_order_hold_for_any_channel(values, columns):
    value = np.array(values)
    time = np.arange(float(len(value)))
    thin_time, thin = _thin(time, value, columns=columns)
    assert np.nanmin(thin) == value.min()
    assert np.nanmax(thin) == value.max()
    assert np.all(np.diff(thin_time) > 0)
    assert len(thin) <= 4 * columns + 2
    index = thin_time.astype(int)
    assert np.array_equal(thin, value[index])


def test_what_a_report_is_made_of_loads_no_chart_library():
    code = (
        "import sys, campledger.present.report_data, campledger.present.text, "
        "campledger.present.text_enough, campledger.present.jsonout; "
        "sys.exit('bokeh' in sys.modules)"
    )
    assert subprocess.run([sys.executable, "-c", code], check=False).returncode == 0
