"""The live estimate: its gap, its filters, its bytes. Sources beside each check."""

from dataclasses import replace

import numpy as np
import pytest
from scipy.stats import truncnorm
from tests.support.battery_world import make_world

from campledger.estimate.battery.inputs import gather
from campledger.estimate.battery.live import LiveBattery
from campledger.estimate.battery.live_filter import OFFSET, SOC, Filters
from campledger.estimate.battery.live_gap import FORGETS, Gap
from campledger.estimate.battery.live_state import squeeze, stretch
from campledger.estimate.battery.live_track import run_live

NAN = float("nan")


def fed(live, inputs, start=0, stop=None):
    rows = zip(inputs.current, inputs.voltage, inputs.temp, strict=True)
    for current, volts, temp in list(rows)[start:stop]:
        live.step(60.0, float(current), float(volts), float(temp))


def joint(hours, std, n=400):
    """Covariance of an Ornstein-Uhlenbeck current on a fine grid, and its integral."""
    t = np.linspace(0.0, hours, n)
    cov = std**2 * np.exp(-np.abs(t[:, None] - t[None, :]) / FORGETS)
    w = np.full(n, hours / (n - 1))
    w[[0, -1]] *= 0.5
    return cov, w


@pytest.mark.parametrize("hours", [0.3, 2.0, 9.0])
def test_a_gap_is_the_conditioned_gaussian_process(hours):
    """Against the joint Gaussian of a fine grid: conditioning by linear algebra."""
    gap = Gap(charger=20.0)
    gap.follow(8.0, 300.0)
    usual = gap.numbers()[1]
    std = np.hypot(1.5, 0.35 * 20.0)
    parts = [gap.cross(hours * 1800.0), gap.cross(hours * 1800.0)]
    charge, variance = (sum(p[k] for p in parts) for k in (0, 1))
    more, less = gap.close(-3.0)
    cov, w = joint(hours, std)
    for ends, values, told in (
        ([0], [8.0], (charge, variance)),
        ([0, len(w) - 1], [8.0, -3.0], (charge + more, variance + less)),
    ):
        across = w @ cov[:, ends]
        inner = np.linalg.inv(cov[np.ix_(ends, ends)])
        mean = usual * hours + across @ inner @ (np.array(values) - usual)
        left = w @ cov @ w - across @ inner @ across
        # rtol: trapezoid of 400 points.
        assert told[0] == pytest.approx(mean, rel=2e-3, abs=1e-3)
        assert told[1] == pytest.approx(left, rel=2e-2, abs=1e-3)
    assert not gap.open


def test_truncation_has_the_moments_of_scipy():
    """Against ``scipy.stats.truncnorm``."""
    world = make_world("lfp", seed=0, days=1)
    house = replace(world.rig.house, capacity_now=100.0)
    filters = Filters(house, (1.1, 0.3))
    filters.bound()
    known = truncnorm((0 - 1.1) / 0.3, (1 - 1.1) / 0.3, loc=1.1, scale=0.3)
    assert filters.x[0, SOC] == pytest.approx(known.mean(), abs=1e-9)
    assert filters.p[0, SOC, SOC] == pytest.approx(known.var(), abs=1e-9)


@pytest.mark.parametrize("chemistry", ["lfp", "agm"])
def test_the_small_form_fits_a_window_and_is_never_surer(chemistry):
    world = make_world(chemistry, seed=16, days=2, drive_hours=4.0)
    inputs = gather(world.record, world.rig)
    live = LiveBattery(world.rig)
    fed(live, inputs)
    state = live.state_bytes()
    assert len(state) <= 4096
    small = squeeze(state, 950)
    assert len(small) <= 950
    again = LiveBattery.from_bytes(world.rig, stretch(small))
    now, then = again.estimate(), live.estimate()
    # abs: half precision of the deviations.
    assert now.value == pytest.approx(then.value, abs=1e-3)
    assert now.hi - now.lo == pytest.approx(then.hi - then.lo, abs=2e-3)
    covariance = again._filters.p
    assert np.linalg.eigvalsh(covariance).min() > -1e-12
    coarse = stretch(squeeze(state, 0))
    assert np.linalg.eigvalsh(LiveBattery.from_bytes(world.rig, coarse)._filters.p)[
        0, 0
    ] > (-1e-12)


def test_bytes_of_something_else_are_refused():
    with pytest.raises(ValueError, match="3 B are no small state"):
        stretch(b"abc")
    world = make_world("lfp", seed=0, days=1)
    lead = make_world("agm", seed=0, days=1)
    other = LiveBattery(lead.rig).state_bytes()
    with pytest.raises(ValueError, match="expected"):
        LiveBattery.from_bytes(world.rig, other)


def test_a_week_in_the_dark_says_nothing():
    world = make_world("lfp", seed=0, days=1)
    live = LiveBattery(world.rig, (0.9, 0.01))
    live.step(300.0, -4.0, NAN, NAN)
    live.step(7 * 86400.0, NAN, NAN, NAN)
    told = live.estimate()
    assert told.hi - told.lo > 0.8


def test_a_drive_on_both_sides_of_a_gap_fills_it():
    world = make_world("lfp", seed=0, days=1)
    live = LiveBattery(world.rig, (0.3, 0.01))
    for current in (18.0, NAN, 18.0):
        for _ in range(30):
            live.step(60.0, current, NAN, NAN)
    told = live.estimate()
    assert told.value == pytest.approx(0.3 + 27.0 / 95.0, abs=0.03)


def test_counting_past_full_teaches_the_offset():
    """A count that overshoots each full tells of the shunt, and must not be lost."""
    world = make_world("lfp", seed=5, days=6, offset=0.12, drive_hours=4.5)
    inputs = gather(world.record, world.rig)
    live = LiveBattery(world.rig)
    fed(live, inputs)
    told = float(live._filters.weight @ live._filters.x[:, OFFSET])
    assert told == pytest.approx(-world.offset, abs=0.03)


@pytest.mark.parametrize("chemistry", ["lfp", "flooded", "gel", "agm"])
def test_a_made_trip_of_another_battery_is_followed(chemistry):
    """A generator with curves of its own, not the table's."""
    lead = chemistry != "lfp"
    world = make_world(
        chemistry, seed=33, days=4, start=0.55, drive_hours=6.0 if lead else 3.5
    )
    track = run_live(gather(world.record, world.rig), world.rig)
    assert track.lo[0] <= world.soc[0] <= track.hi[0]
    half = len(track.soc) // 2
    error = track.soc[half:] - world.soc[half:]
    assert 100.0 * np.sqrt(np.mean(error**2)) < 6.0
    inside = (world.soc >= track.lo) & (world.soc <= track.hi)
    assert inside.mean() > 0.8
