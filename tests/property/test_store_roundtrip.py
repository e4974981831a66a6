"""What goes into the store comes out of it, whatever it is and however it is cut."""

import tempfile
from pathlib import Path

import numpy as np
from hypothesis import given, settings
from hypothesis import strategies as st
from hypothesis.extra import numpy as hnp

from campledger.model.integrate import to_minutes
from campledger.store import Columns, Rows, Window, codec, open_store
from campledger.store.blocks import WINDOW, Header, pack_window, unpack_window

T0 = 1_777_600_000.0
ANY = hnp.arrays(np.float64, st.integers(0, 60), elements=st.floats(width=64))
STEPS = st.sampled_from([1.0, 0.1, 0.001, 0.00125, 150 / 2**15, 1 / 16, 1e-6, 3.7])
HEAD = Header(
    kind=WINDOW,
    sampling=0,
    rows=1,
    group=1,
    recorder="van",
    number=1,
    ordinal=0,
    channel="",
    first=0.0,
    last=1.0,
)


def same(a, b):
    return np.array_equal(a.view(np.int64), b.view(np.int64))


@given(ANY)
def test_any_array_comes_back_bit_for_bit(values):
    values = codec.plain(values)
    assert same(codec.decode(codec.encode(values)[1]), values)


@given(
    hnp.arrays(np.int64, st.integers(1, 200), elements=st.integers(-40000, 40000)),
    STEPS,
    st.booleans(),
)
def test_quantised_arrays_come_back_bit_for_bit(numbers, step, single):
    values = numbers * step
    if single:
        values = values.astype(np.float32).astype(np.float64)
    values = codec.plain(values)
    assert same(codec.decode(codec.encode(values)[1]), values)


@given(ANY.filter(lambda a: len(a) > 0))
def test_any_window_comes_back_bit_for_bit(values):
    values = codec.plain(values)
    uptime = np.arange(len(values)) * 1.1
    rows = (Rows(uptime=uptime, values={"current_house_a": values}),)
    (back,) = unpack_window(pack_window(HEAD, rows))[1]
    assert same(back.uptime, uptime)
    assert same(back.values["current_house_a"], values)


@st.composite
def recordings(draw):
    """Draw rows with gaps and missing values, and where to cut the file."""
    count = draw(st.integers(2, 300))
    seed = draw(st.integers(0, 2**32 - 1))
    rng = np.random.default_rng(seed)
    gaps = rng.choice([1.0, 1.0, 1.0, 2.0, 7.0, 70.0, 4000.0], count)
    time = T0 + np.cumsum(gaps)
    value = np.round(rng.normal(0, 5, count), 2)
    value[rng.random(count) < 0.1] = np.nan
    cuts = sorted(draw(st.sets(st.integers(1, count - 1), max_size=4)))
    order = draw(st.permutations(range(len(cuts) + 1)))
    return time, value, [0, *cuts, count], order


@settings(max_examples=25, deadline=None)
@given(recordings())
def test_a_recording_comes_back_however_it_is_cut(recording):
    time, value, edges, order = recording
    with tempfile.TemporaryDirectory() as folder:
        path = Path(folder) / "s.db"
        with open_store(path, "write", create=True) as store:
            for _ in range(2):
                for k in order:
                    part = slice(edges[k], edges[k + 1])
                    store.import_rows(
                        "van",
                        Columns(
                            time_utc=time[part],
                            values={"current_house_a": value[part]},
                        ),
                    )
        with open_store(path) as store:
            record = store.record(T0, time[-1])
            series = record.channels["current_house_a"]
            good = np.isfinite(series.value)
            want = np.isfinite(value)
            assert np.array_equal(series.time_utc[good], time[want])
            assert np.array_equal(series.value[good], value[want])
            minutes = record.minutes["current_house_a"]
            extremes = to_minutes(series, record.minute_utc)
            assert np.array_equal(minutes.low, extremes.low, equal_nan=True)
            assert np.array_equal(minutes.high, extremes.high, equal_nan=True)


@settings(max_examples=15, deadline=None)
@given(st.integers(0, 2**32 - 1), st.lists(st.booleans(), min_size=3, max_size=12))
def test_windows_come_back_whenever_they_are_sealed(seed, sealed):
    rng = np.random.default_rng(seed)
    with tempfile.TemporaryDirectory() as folder:
        path = Path(folder) / "s.db"
        times, values = [], []
        with open_store(path, "daemon", create=True) as store:
            boot = store.begin_boot("van", identity="a")
            for k, now in enumerate(sealed):
                uptime = np.round(10.0 * k + np.sort(rng.random(10)) * 9.9, 6)
                uptime = np.unique(uptime)
                value = np.round(rng.normal(0, 3, len(uptime)), 3)
                rows = Rows(
                    uptime=uptime, wall=T0 + uptime, values={"temp_air_c": value}
                )
                store.append_window(Window(boot=boot.id, rows=(rows,)))
                times.append(uptime)
                values.append(value)
                if now:
                    store.seal(boot.id)
            series = store.record(T0 - 1, T0 + 1e4).channels["temp_air_c"]
        assert np.array_equal(series.value, np.concatenate(values))
