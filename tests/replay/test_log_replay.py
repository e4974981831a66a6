"""``log --replay``: the same store as an import, once however often."""

import json

import numpy as np
import pytest

from campledger.app.cli import main
from campledger.store import open_store

RIG = """
[rig]
name = "Van"
timezone = "UTC"
[house]
chemistry = "agm"
capacity_rated_ah = 100
[load.fridge]
kind = "fridge"
"""


@pytest.fixture
def files(tmp_path):
    (tmp_path / "rig.toml").write_text(RIG)
    rows = ["time_utc,voltage_house_v,current_house_a,temp_house_c"]
    for k in range(3000):
        at = np.datetime64("2026-05-01T00:00:00") + 5 * (k + (4000 if k > 2000 else 0))
        amps = -1.0 - 4.0 * (k // 300 % 2)
        temp = f"{20 + k / 1000:.2f}" if k % 12 == 0 else ""
        rows.append(f"{at}Z,{12.6 + 0.02 * amps:.3f},{amps},{temp}")
    (tmp_path / "trip.csv").write_text("\n".join(rows) + "\n")
    return tmp_path


def campledger(capsys, files, *words):
    code = main([*words, "--rig", str(files / "rig.toml")])
    return code, capsys.readouterr()


def test_a_replay_holds_what_an_import_holds(capsys, files):
    trip = str(files / "trip.csv")
    a, b = str(files / "a.db"), str(files / "b.db")
    code, said = campledger(capsys, files, "log", "--replay", trip, "--store", a)
    assert code == 0
    assert "3 000 rows replayed, 1 boot" in said.out
    campledger(capsys, files, "import", trip, "--store", b)
    with open_store(a) as one, open_store(b) as two:
        span = two.span()
        assert one.span() == span
        left, right = one.record(*span), two.record(*span)
        assert set(left.channels) == set(right.channels)
        for name, series in right.channels.items():
            mine = left.channels[name]
            assert np.array_equal(mine.value, series.value, equal_nan=True)
            np.testing.assert_allclose(
                left.minutes[name].charge,
                right.minutes[name].charge,
                atol=1e-9,  # blocks end at other rows, sums round otherwise
            )


def test_a_replay_again_adds_nothing(capsys, files):
    words = ("log", "--replay", str(files / "trip.csv"), "--store", str(files / "a.db"))
    campledger(capsys, files, *words)
    code, said = campledger(capsys, files, *words, "--json")
    assert code == 0
    assert json.loads(said.out)["rows"] == 0
    assert json.loads(said.out)["already_present"] == 3000
    with open_store(files / "a.db") as store:
        assert [b.rows for b in store.boots()] == [3000]


def test_a_replay_into_a_store_of_live_readings_is_refused(capsys, files):
    with open_store(files / "a.db", "daemon", create=True) as store:
        store.begin_boot("Van", identity="kernel", source="live")
    code, said = campledger(
        capsys,
        files,
        "log",
        "--replay",
        str(files / "trip.csv"),
        "--store",
        str(files / "a.db"),
    )
    assert code == 2
    assert "live readings" in said.err
    assert said.out == ""


def test_a_second_daemon_is_refused(capsys, files):
    with open_store(files / "a.db", "daemon", create=True):
        code, said = campledger(
            capsys,
            files,
            "log",
            "--replay",
            str(files / "trip.csv"),
            "--store",
            str(files / "a.db"),
        )
    assert code == 2
    assert "another daemon" in said.err


def test_no_sensors_and_no_recording_is_said(capsys, files):
    code, said = campledger(capsys, files, "log", "--store", str(files / "a.db"))
    assert code == 2
    assert "[[sensor]]" in said.err


def test_a_typed_time_dates_the_running_boot(capsys, files):
    with open_store(files / "a.db", "daemon", create=True) as store:
        store.begin_boot("Van", identity="kernel", source="live")
    code, said = campledger(
        capsys,
        files,
        "log",
        "--time-is",
        "2026-05-01T17:02",
        "--store",
        str(files / "a.db"),
    )
    assert code == 0
    with open_store(files / "a.db") as store:
        ((anchor,),) = store.anchors().values()
    assert anchor.kind == "typed"
    assert "dated by you" in said.out
