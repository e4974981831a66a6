"""The battery on trips of a light generator: other batteries than any table's."""

from dataclasses import replace

import numpy as np
import pytest
from tests.support.battery_world import make_world
from tests.support.cases import make_record

from campledger.estimate.battery import estimate_battery
from campledger.estimate.battery.inputs import gather, stuck
from campledger.estimate.battery.live import LiveBattery
from campledger.model.estimates import Estimate
from campledger.model.series import Series


def inside(soc, lo, hi, truth):
    return float(np.mean((truth >= lo - 1e-9) & (truth <= hi + 1e-9)))


def error(est, world):
    return 100.0 * float(np.sqrt(np.nanmean((est.soc - world.soc) ** 2)))


@pytest.fixture(scope="module")
def lithium():
    world = make_world("lfp", seed=11, days=4, drive_hours=4.0)
    return world, estimate_battery(world.record, world.rig)


def test_lithium_with_fulls_is_close_and_its_interval_holds(lithium):
    world, est = lithium
    assert sum(a.kind == "full" for a in est.anchors) >= 2
    assert error(est, world) < 2.5  # made trip, asked 2.0 over many trips
    assert inside(est.soc, est.soc_lo, est.soc_hi, world.soc) > 0.8


def test_offset_with_hidden_drain_is_found(lithium):
    world, est = lithium
    assert est.offset.value == pytest.approx(world.offset, abs=0.03)
    assert est.offset.lo < world.offset < est.offset.hi


def test_every_minute_with_volts_is_told(lithium):
    world, est = lithium
    assert len(est.minute_utc) == len(world.record.minute_utc)
    for name in ("soc", "soc_lo", "soc_hi", "soc_live", "soc_live_lo", "soc_live_hi"):
        value = getattr(est, name)
        assert np.isfinite(value).all()
        assert value.min() >= 0.0
        assert value.max() <= 1.0
    assert np.all(est.soc_lo <= est.soc_hi)
    assert np.all(est.soc_live_lo <= est.soc_live_hi)


def test_the_opening_interval_holds_from_the_first_minute(lithium):
    world, est = lithium
    assert est.soc_live_lo[0] <= world.soc[0] <= est.soc_live_hi[0]


def test_anchors_carry_their_change_and_model_runs(lithium):
    _, est = lithium
    assert all(np.isfinite(a.change) for a in est.anchors)
    assert est.last_full_utc > est.minute_utc[0]
    table = est.model.voltage_open_table
    assert np.all(np.diff(table) >= 0.0)
    assert est.model.soc_table[0] == 0.0
    assert est.model.soc_table[-1] == 1.0


def test_until_uses_nothing_later(lithium):
    world, est = lithium
    cut = est.minute_utc[2000]
    early = estimate_battery(world.record, world.rig, until=cut)
    short = make_record(
        world.record.channels["voltage_house_v"].between(0.0, cut).time_utc,
        {n: s.between(0.0, cut).value for n, s in world.record.channels.items()},
    )
    alone = estimate_battery(short, world.rig)
    n = len(alone.soc)
    assert np.isnan(early.soc[2002:]).all()
    # 1e-3: the last minute may hold a different number of rows.
    np.testing.assert_allclose(early.soc[: n - 1], alone.soc[: n - 1], atol=1e-3)
    # Causal: the live estimate of the whole trip knows no more.
    np.testing.assert_allclose(
        est.soc_live[: n - 1], alone.soc_live[: n - 1], atol=1e-9
    )


def test_known_opening_and_capacity_narrow_the_interval(lithium):
    world, est = lithium
    house = replace(world.rig.house, capacity_now=world.capacity)
    rig = replace(world.rig, house=house)
    told = estimate_battery(
        world.record, rig, opening=Estimate(value=0.7, lo=0.67, hi=0.73)
    )
    width = np.mean(told.soc_hi - told.soc_lo)
    assert width < np.mean(est.soc_hi - est.soc_lo)
    assert told.capacity.lo < world.capacity < told.capacity.hi
    assert told.soc[0] == pytest.approx(world.soc[0], abs=0.03)


@pytest.mark.parametrize(
    ("chemistry", "more"),
    [
        ("flooded", {"drive_hours": 6.0, "start": 0.9}),
        ("gel", {"interval": 60.0, "sampling": "mean", "temp": False}),
        ("agm", {"capacity": 70.0, "rated": 75.0, "gap": (30.0, 3.0)}),
    ],
)
def test_lead_acid_of_every_kind(chemistry, more):
    world = make_world(chemistry, seed=12, days=4, **more)
    est = estimate_battery(world.record, world.rig)
    assert error(est, world) < 6.0  # no full in most of these: level from volts
    assert inside(est.soc, est.soc_lo, est.soc_hi, world.soc) > 0.8
    if not more.get("temp", True):
        assert any("temperature" in n for n in est.notes)
    if "gap" in more:
        assert any("missing" in n for n in est.notes)


def test_a_day_without_rows_widens_and_is_said():
    world = make_world("lfp", seed=13, days=4, drive_hours=4.0, gap=(30.0, 24.0))
    est = estimate_battery(world.record, world.rig)
    hour = (est.minute_utc - est.minute_utc[0]) / 3600.0
    width = est.soc_live_hi - est.soc_live_lo
    assert width[(hour > 50) & (hour < 54)].mean() > 2 * width[hour < 30][-60:].mean()
    assert np.isnan(est.current_corrected[(hour > 31) & (hour < 53)]).all()


def test_without_a_shunt_only_a_wide_band_is_told():
    world = make_world(
        "gel", seed=14, days=3, drop=("current_house_a", "current_fridge_a")
    )
    est = estimate_battery(world.record, world.rig)
    assert est.rung == "volts only"
    assert np.isnan(est.capacity.value)
    assert "shunt" in est.capacity.reason
    assert np.mean(est.soc_hi - est.soc_lo) > 0.1
    assert inside(est.soc, est.soc_lo, est.soc_hi, world.soc) > 0.7


def test_circuits_stand_in_for_the_shunt_with_a_wider_band():
    world = make_world("lfp", seed=17, days=3, drive_hours=4.0)
    whole = estimate_battery(world.record, world.rig)
    world = make_world(
        "lfp", seed=17, days=3, drive_hours=4.0, drop=("current_house_a",)
    )
    est = estimate_battery(world.record, world.rig)
    assert est.rung == "circuits added up, and volts"
    assert np.mean(est.soc_hi - est.soc_lo) > np.mean(whole.soc_hi - whole.soc_lo)
    assert inside(est.soc, est.soc_lo, est.soc_hi, world.soc) > 0.7


def test_a_stuck_shunt_is_left_out():
    world = make_world("lfp", seed=15, days=3, drive_hours=4.0)
    channels = {n: s.value.copy() for n, s in world.record.channels.items()}
    time = world.record.channels["current_house_a"].time_utc
    channels["current_house_a"][6000:6600] = channels["current_house_a"][6000]
    record = make_record(time, channels)
    frozen = stuck(record.channels["current_house_a"])
    assert frozen[6010:6590].all()
    assert frozen.sum() < 700
    inputs = gather(record, world.rig)
    assert inputs.stuck_minutes >= 99
    est = estimate_battery(record, world.rig)
    assert any("stood still" in n for n in est.notes)


def test_coarse_words_of_a_quiet_night_are_not_stuck():
    rng = np.random.default_rng(1)
    value = np.round(rng.normal(-0.5, 0.02, 20000), 1)
    value[::400] = -5.0
    series = Series(time_utc=np.arange(20000) * 10.0, value=value)
    assert not stuck(series).any()


def test_nothing_but_holes_gives_the_prior():
    time = np.arange(0, 7200, 10.0)
    nan = np.full(len(time), np.nan)
    world = make_world("lfp", seed=0, days=1)
    record = make_record(time, {"voltage_house_v": nan, "current_house_a": nan})
    est = estimate_battery(record, world.rig)
    assert est.rung == "volts only"
    assert est.soc_hi[0] - est.soc_lo[0] > 0.8


def test_a_very_short_record_is_answered():
    time = np.arange(0, 130, 10.0)
    world = make_world("lfp", seed=0, days=1)
    record = make_record(
        time,
        {
            "voltage_house_v": np.full(len(time), 13.2),
            "current_house_a": np.full(len(time), -1.0),
        },
    )
    est = estimate_battery(record, world.rig)
    assert est.soc_hi[0] - est.soc_lo[0] > 0.2


def test_live_state_is_small_and_goes_on_where_it_stopped():
    world = make_world("lfp", seed=16, days=1)
    inputs = gather(world.record, world.rig)
    first = LiveBattery(world.rig)
    rows = list(zip(inputs.current, inputs.voltage, inputs.temp, strict=True))
    for current, volts, temp in rows[:701]:
        first.step(60.0, float(current), float(volts), float(temp))
    state = first.state_bytes()
    assert len(state) <= 4096
    second = LiveBattery.from_bytes(world.rig, state)
    for current, volts, temp in rows[701:]:
        first.step(60.0, float(current), float(volts), float(temp))
        second.step(60.0, float(current), float(volts), float(temp))
    now, then = second.estimate(), first.estimate()
    # abs: covariances are kept in single precision.
    np.testing.assert_allclose(
        (now.value, now.lo, now.hi), (then.value, then.lo, then.hi), atol=1e-6
    )
    assert first.capacity().lo < first.capacity().value


def test_live_refuses_other_bytes():
    world = make_world("lfp", seed=0, days=1)
    with pytest.raises(ValueError, match="state has 3 B"):
        LiveBattery.from_bytes(world.rig, b"abc")


def test_live_borrows_from_circuits_and_widens_in_the_dark():
    world = make_world("lfp", seed=0, days=1)
    dark, lent = (
        LiveBattery(world.rig, (0.5, 0.02)),
        LiveBattery(world.rig, (0.5, 0.02)),
    )
    nan = float("nan")
    for _ in range(120):
        dark.step(60.0, nan, nan, nan)
        lent.step(60.0, nan, nan, nan, instead=-10.0)
    wide = dark.estimate()
    assert wide.hi - wide.lo > 0.2
    assert lent.estimate().value == pytest.approx(0.5 - 20.0 / 95.0, abs=0.03)
