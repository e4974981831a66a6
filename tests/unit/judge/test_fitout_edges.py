"""Records that a fit-out must survive: short, broken, strange."""

from __future__ import annotations

import numpy as np
import pytest

from campledger.judge.finding import Verdict
from campledger.model.rig import Load, Source
from support.fitout_fixture import BASE, DCDC, build, judge, plant, rig

RNG = np.random.default_rng(7)
FULL = rig(
    sources=(
        DCDC,
        Source(name="solar", kind="solar", power_panel=160.0),
        Source(name="link", kind="isolator"),
    ),
    loads=(
        Load(name="fridge", kind="fridge", current_on=4.0, voltage_cut_out=10.4),
        Load(name="inverter", kind="inverter"),
        Load(name="pump", kind="pump"),
        Load(name="logger", kind="logger"),
    ),
)
CHANNELS = tuple(plant("", 0.0, 912).record.channels)


@pytest.mark.parametrize("count", [1, 2, 5, 61, 400])
@pytest.mark.parametrize("kind", ["missing", "flat", "noise"])
def test_short_and_empty_records(count, kind):
    t = BASE + 10.0 * np.arange(count)
    value = {
        "missing": np.full(count, np.nan),
        "flat": np.full(count, 12.5),
        "noise": RNG.normal(12.0, 3.0, count),
    }[kind]
    result = judge(build(t, dict.fromkeys(CHANNELS, value)), FULL)
    assert len(result.findings) == 59
    if kind == "missing":
        judged = {"C7", "C40", "C41", "C44"}
        passed = {f.id for f in result.findings if f.verdict == Verdict.PASS}
        assert passed <= judged


@pytest.mark.parametrize("channel", CHANNELS)
def test_any_channel_may_be_absent(channel):
    trip = plant("", 0.0, 913)
    left = {n: s.value for n, s in trip.record.channels.items() if n != channel}
    time = trip.record.channels["voltage_house_v"].time_utc
    record = build(time[::8], {n: v[::8] for n, v in left.items()})
    result = judge(record, trip.rig)
    assert not [f.id for f in result.findings if f.verdict == Verdict.FAULT]
