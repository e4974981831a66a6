import numpy as np
import pytest
from store_cases import T0, boot_chunk, chunk, readings

from campledger.model.integrate import integral, to_minutes
from campledger.model.rig import Correction
from campledger.store import Columns

FIELDS = ("mean", "low", "high", "charge", "covered")


def check(record, *, names=None):
    """Minutes from summaries must be those of the readings themselves."""
    for name in names or record.channels:
        want = to_minutes(record.channels[name], record.minute_utc)
        got = record.minutes[name]
        for field in FIELDS:
            a, b = getattr(want, field), getattr(got, field)
            assert np.allclose(a, b, rtol=0, atol=2e-6, equal_nan=True), field


@pytest.mark.parametrize("lag", [0.0, 0.25, 17.5])
def test_summaries_are_those_of_the_readings(store, lag):
    for a in (0, 2000, 4500):
        part = chunk(a, min(a + 2500, 7200))
        store.import_rows(
            "van", Columns(time_utc=part.time_utc + lag, values=part.values)
        )
    check(store.record(T0 - 100, T0 + 7300))


@pytest.mark.parametrize("sampling", ["point", "mean"])
def test_gaps_and_missing_values_stay_gaps(store, sampling):
    values = {n: v.copy() for n, v in readings().items()}
    values["current_house_a"][1000:1400] = np.nan
    time = T0 + np.arange(7200.0)
    keep = (time < T0 + 3000) | (time > T0 + 3700)
    for half in (time < T0 + 1200, time >= T0 + 1200):
        pick = keep & half
        store.import_rows(
            "van",
            Columns(
                time_utc=time[pick], values={n: v[pick] for n, v in values.items()}
            ),
            sampling=sampling,
        )
    record = store.record(T0 - 60, T0 + 7200)
    assert record.channels["current_house_a"].sampling == sampling
    check(record)


def test_chunks_in_the_wrong_order_leave_no_seam(store):
    for a in (4000, 0, 2000, 6000):
        store.import_rows("van", chunk(a, min(a + 2000, 7200)))
    check(store.record(T0, T0 + 7200))


def test_rows_that_fill_gaps_between_rows_count_once(store):
    whole = chunk()
    for part in (slice(0, None, 2), slice(1, None, 2)):
        store.import_rows(
            "van",
            Columns(
                time_utc=whole.time_utc[part],
                values={n: v[part] for n, v in whole.values.items()},
            ),
        )
    check(store.record(T0, T0 + 7200))


def test_a_slow_channel_keeps_its_own_pace(store):
    temp = np.full(7200, np.nan)
    temp[::60] = np.round(20 + np.sin(np.arange(120) / 9), 2)
    store.import_rows(
        "van",
        Columns(time_utc=T0 + np.arange(7200.0), values={"temp_air_c": temp}),
    )
    record = store.record(T0, T0 + 7200)
    assert record.channels["temp_air_c"].interval == 60.0
    check(record)
    assert record.minutes["temp_air_c"].covered.sum() == 7140.0


@pytest.mark.parametrize(
    "fix",
    [
        Correction(channel="current_house_a", scale=-1.0),
        Correction(channel="current_house_a", scale=1.02, offset=0.3),
        Correction(
            channel="current_house_a",
            scale=-2.0,
            offset=1.0,
            start_utc=T0 + 1000.5,
            end_utc=T0 + 3333.0,
        ),
        Correction(channel="current_house_a", offset=1.0, start_utc=T0 + 80.0),
    ],
)
def test_corrections_apply_to_minutes_too(store, fix):
    store.import_rows("van", chunk())
    record = store.record(T0, T0 + 7200, (fix,))
    series, minutes = record.channels["current_house_a"], record.minutes
    raw = readings()["current_house_a"]
    start, end = fix.start_utc or -np.inf, fix.end_utc or np.inf
    inside = (series.time_utc > start) & (series.time_utc <= end)
    assert np.array_equal(
        series.value, np.where(inside, fix.scale * raw + fix.offset, raw)
    )
    total, _ = integral(series, T0, T0 + 7200)
    charge = minutes["current_house_a"].charge.sum()
    # a trapezoid across the border of a correction may fall to either side
    assert charge == pytest.approx(total, abs=4.0)
    want = to_minutes(series, record.minute_utc)
    assert np.array_equal(minutes["current_house_a"].low, want.low, equal_nan=True)
    assert np.array_equal(minutes["current_house_a"].high, want.high, equal_nan=True)


def test_nothing_after_the_end_is_used(store):
    store.import_rows("van", chunk())
    end = T0 + 3611.0
    record = store.record(T0, end)
    assert record.channels["current_house_a"].time_utc[-1] == end
    check(record)
    last = record.minutes["current_house_a"]
    assert last.covered.sum() == 3611.0


def test_two_anchors_give_the_boot_its_rate(store):
    store.import_rows("van", boot_chunk(0, 7200, lag=None))
    boot = store.boots()[0].id
    rate = 1 + 100e-6
    for uptime in (0.0, 30000.0):
        store.add_anchor(
            boot,
            uptime=uptime,
            time_utc=T0 + rate * uptime,
            kind="phone",
            bound=1.0,
        )
    assert store.boots()[0].rate == pytest.approx(rate, rel=1e-9)
    record = store.record(T0, T0 + 7300)
    check(record)
    store.refresh_minutes()
    check(store.record(T0, T0 + 7300))
