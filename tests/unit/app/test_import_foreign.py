"""Foreign files through the command line: the messy one, Parquet, clocks, no volts."""

import json
from datetime import UTC, datetime, timedelta
from pathlib import Path

import numpy as np
import pyarrow as pa
import pyarrow.parquet as pq
import pytest

from campledger.store import open_store

TOP = Path(__file__).resolve().parents[3]
RIG = TOP / "config" / "demo_rig.toml"
START = datetime(2025, 4, 18, 6, 10, tzinfo=UTC)
T0 = START.timestamp()


@pytest.fixture
def load(run, tmp_path):
    """Import into a store of its own."""
    store = tmp_path / "s.db"

    def call(*words):
        return run("import", *words, "--rig", RIG, "--store", store)

    call.store = store
    return call


def stored(path, name):
    with open_store(path) as store:
        series = store.record(*store.span()).channels[name]
        return series.time_utc, series.value


def comma(value, digits=2):
    return f"{value:.{digits}f}".replace(".", ",")


def messy():
    """The file of job.md X7: 18,411 lines after the header, 3 dashes, 2 bad lines."""
    head = "Zeit;U [V];I [mA];Temp [C]"
    lines, truth = [head], {}
    for line in range(2, 18412):
        if line == 4012:
            lines.append(head)
            continue
        when = START + timedelta(seconds=10 * (line - 2))
        volts, amps = 12 + (line % 97) / 100, (line * 37) % 9000 - 4000
        dash = line in {77, 912, 913}
        truth[when.timestamp()] = (volts, None if dash else amps / 1000)
        text = "---" if dash else str(amps)
        lines.append(f"{when:%d.%m.%Y %H:%M:%S};{comma(volts)};{text};{comma(21.5, 1)}")
    lines.append("20.04.2025 09:18:20;12,")
    return ("\ufeff" + "\r\n".join(lines)).encode(), truth


def test_the_messy_file_of_another_logger(load, tmp_path):
    """job.md X7, to the word."""
    data, truth = messy()
    path = tmp_path / "trip7.csv"
    path.write_bytes(data)
    words = ("--set", "current_sign=+in", "--set", "zone=UTC")
    code, out, err = load(path, *words)
    assert code == 0
    assert (
        "18 409 rows loaded, 3 values kept as missing (lines 77, 912, 913: current "
        "'---'); 2 lines set aside (4012: repeated header; 18412: cut short) in "
        "trip7.csv.rejected"
    ) in out
    assert "mA" in err  # the map is shown for confirmation, units and all
    assert path.read_bytes() == data
    assert (tmp_path / "trip7.csv.map.toml").exists()
    kept = (tmp_path / "trip7.csv.rejected").read_text()
    assert kept.count("# line") == 2
    time, volts = stored(load.store, "voltage_house_v")
    assert time.tolist() == list(truth)
    np.testing.assert_allclose(volts, [v for v, _ in truth.values()], atol=1e-12)
    time, amps = stored(load.store, "current_house_a")
    known = [np.nan if a is None else a for _, a in truth.values()]
    np.testing.assert_allclose(amps, known, atol=1e-12)
    before = Path(load.store).read_bytes()
    code, out, _ = load(path, *words)
    assert code == 0
    assert "rows already present" in out
    assert len(Path(load.store).read_bytes()) == len(before)


MAP = """[time]
columns = ["when"]
zone = "UTC"
[[column]]
name = "bus"
channel = "voltage_house_v"
unit = "mV"
[[column]]
name = "shunt"
channel = "current_house_a"
unit = "A"
sign = "+out"
"""


@pytest.mark.parametrize("kind", ["us", "ns", "text"])
def test_a_foreign_parquet_file_with_a_map(kind, load, tmp_path):
    n = 5000
    whole = 1_745_000_000 + np.arange(n)
    if kind == "text":
        when = pa.array(
            [datetime.fromtimestamp(int(t), UTC).isoformat() for t in whole]
        )
    else:
        scale = {"us": 10**6, "ns": 10**9}[kind]
        when = pa.array(whole * scale).cast(pa.timestamp(kind, "UTC"))
    shunt = np.round(np.sin(np.arange(n) / 50), 3)
    shunt[7] = np.nan
    table = pa.table(
        {
            "when": when,
            "bus": pa.array(12500 + np.arange(n) % 700, pa.int32()),
            "shunt": pa.array(shunt, from_pandas=True),
            "spare": pa.array(["x"] * n),
        }
    )
    pq.write_table(table, tmp_path / "f.parquet")
    (tmp_path / "m.toml").write_text(MAP)
    code, out, err = load(tmp_path / "f.parquet", "--map", tmp_path / "m.toml")
    assert code == 0, err
    assert "5 000 rows loaded" in out
    time, volts = stored(load.store, "voltage_house_v")
    assert time.tolist() == whole.tolist()
    np.testing.assert_allclose(volts, 12.5 + (np.arange(n) % 700) / 1000, atol=1e-12)
    _, amps = stored(load.store, "current_house_a")
    np.testing.assert_array_equal(amps, -shunt)


def two_clocks(folder, ahead, *, shared=True, other_seed=5):
    """Two recorders of one battery; the second one's clock is ahead."""
    rng = np.random.default_rng(5)
    n = 9 * 360
    time = T0 + 10.0 * np.arange(n)
    jump = np.where(rng.random(n) < 0.04, rng.normal(0, 0.2, n), 0.0)
    level = 12.6 + np.cumsum(jump) * 0.3
    first = folder / "one.csv"
    rows = [
        f"{datetime.fromtimestamp(t, UTC):%Y-%m-%d %H:%M:%S},{v:.3f},{a:.2f}"
        for t, v, a in zip(time, level, rng.normal(0, 2, n), strict=True)
    ]
    first.write_text("time,U [V],I [A]\n" + "\n".join(rows) + "\n")
    if not shared:
        rng = np.random.default_rng(other_seed + 100)
        level = 12.6 + 0.3 * np.cumsum(
            np.where(rng.random(n) < 0.04, rng.normal(0, 0.2, n), 0.0)
        )
    second = folder / "two.csv"
    rows = [
        f"{datetime.fromtimestamp(t + ahead, UTC):%Y-%m-%d %H:%M:%S},{v:.2f},{c:.1f}"
        for t, v, c in zip(time, level, 5 + np.sin(time / 3000), strict=True)
    ]
    second.write_text("time,U [V],Fridge temp [C]\n" + "\n".join(rows) + "\n")
    return time, first, second


SETS = ("--set", "current_sign=+in", "--set", "zone=UTC")


def test_an_hour_between_two_clocks_is_shown_and_asked(load, tmp_path):
    _, first, second = two_clocks(tmp_path, 3600.0)
    code, out, err = load(first, second, *SETS)
    assert (code, out) == (2, "")
    asked = [x for x in err.splitlines() if "clock" in x]
    assert len(asked) == 1
    assert not list(tmp_path.glob("s.db*"))  # nothing half done
    assert "1 h 00 min 00 s ahead" in asked[0]
    assert "--set clock=overlap" in asked[0]
    assert "Nothing loaded" in asked[0]


def test_two_clocks_are_laid_together_when_told_to(load, tmp_path):
    time, first, second = two_clocks(tmp_path, -5400.0)
    code, out, err = load(first, second, *SETS, "--set", "clock=overlap")
    assert code == 0, err
    assert "1 h 30 min 00 s behind" in out
    cold, _ = stored(load.store, "temp_fridge_c")
    assert cold.tolist() == time.tolist()


def test_a_clock_may_be_left_or_moved_by_hand(load, tmp_path):
    time, first, second = two_clocks(tmp_path, 3600.0)
    code, _, err = load(first, second, *SETS, "--set", "clock=own", "--dry-run")
    assert code == 0, err
    words = ("--set", "zone=UTC", "--set", "clock_offset_s=3600", "--json")
    code, out, err = load(second, *words)
    assert code == 0, err
    assert "as typed" in json.loads(out)["files"][0]["summary"]
    cold, _ = stored(load.store, "temp_fridge_c")
    assert cold.tolist() == time.tolist()
    code, out, _ = load(second, "--set", "clock_offset_s=soon")
    assert (code, out) == (2, "")


def test_the_same_clock_and_strangers_are_left_alone(load, tmp_path):
    _, first, second = two_clocks(tmp_path, 0.0)
    assert load(first, second, *SETS, "--dry-run")[0] == 0
    _, first, second = two_clocks(tmp_path, 3600.0, shared=False)
    assert load(first, second, *SETS, "--dry-run")[0] == 0
    code, out, err = load(first, second, *SETS, "--set", "clock=overlap")
    assert (code, out) == (2, "")
    assert "clock_offset_s=SECONDS" in err


def test_two_days_that_are_alike_are_days_and_no_clocks(load, tmp_path):
    _, first, second = two_clocks(tmp_path, 12 * 3600.0)
    code, _, err = load(first, second, *SETS)
    assert code == 0, err


def test_a_file_without_battery_volts_is_taken_when_told_so(load, tmp_path):
    path = tmp_path / "cold.csv"
    rows = "".join(f"2025-04-18 06:{k:02d}:00,{3 + k / 10:.1f}\n" for k in range(60))
    path.write_text("time,Fridge temp [C]\n" + rows)
    code, out, err = load(path, "--set", "zone=UTC")
    assert (code, out) == (2, "")
    assert "--set voltage=NAME" in err
    code, out, err = load(path, "--set", "zone=UTC", "--set", "voltage=none")
    assert code == 0, err
    _, cold = stored(load.store, "temp_fridge_c")
    assert cold.tolist() == pytest.approx([3 + k / 10 for k in range(60)])
