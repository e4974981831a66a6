"""Two trips of one rig in a store: a battery of 100 A.h, then of 82 (own generator)."""

import csv
import json
from datetime import UTC, datetime

import numpy as np
import pytest
from tests.support.battery_world import START, make_world

from campledger.app.cli import main

RIG = """[rig]
name = "Made"
timezone = "UTC"
[house]
chemistry = "lfp"
capacity_rated_ah = 100
nominal_v = 12.8
absorption_v = 14.3
float_v = 13.5
[source.alternator]
kind = "dcdc"
rated_a = 35
absorption_v = 14.3
float_v = 13.5
[load.fridge]
kind = "fridge"
on_a = 4.1
[recording]
sampling = "mean"
"""
YEAR = 365 * 86400.0


def write(path, world, shift):
    """Write a made trip as a native recording."""
    channels = world.record.channels
    time = channels["voltage_house_v"].time_utc + shift
    with path.open("w", newline="") as file:
        writer = csv.writer(file)
        writer.writerow(["time_utc", *channels])
        for k, t in enumerate(time):
            moment = datetime.fromtimestamp(t, UTC).strftime("%Y-%m-%dT%H:%M:%SZ")
            writer.writerow([moment, *(f"{s.value[k]:.4f}" for s in channels.values())])


def trip(capacity, resistance, seed, demand=5.4):
    """Full on every drive, and with the usual demand down to the knee each night."""
    return make_world(
        "lfp",
        seed=seed,
        days=4,
        capacity=capacity,
        start=0.75,
        interval=60.0,
        sampling="mean",
        resistance=resistance,
        charger=35.0,
        drive_hours=4.5,
        demand=demand,
        offset=0.01,
    )


@pytest.fixture(scope="module")
def folder(tmp_path_factory):
    place = tmp_path_factory.mktemp("ageing")
    (place / "rig.toml").write_text(RIG)
    write(place / "old.csv", trip(100.0, 0.010, 3), 0.0)
    write(place / "new.csv", trip(82.0, 0.014, 4), YEAR)
    write(place / "shallow.csv", trip(82.0, 0.014, 4, demand=2.4), YEAR)
    return place


@pytest.fixture(scope="module")
def both(folder):
    where = ["--rig", str(folder / "rig.toml"), "--store", str(folder / "two.db")]
    for name in ("old.csv", "new.csv"):
        assert main(["import", str(folder / name), *where]) == 0
    return where


def asked(capsys, *words):
    capsys.readouterr()
    assert main([str(w) for w in words]) == 0
    return capsys.readouterr().out


def test_the_statement_says_what_the_battery_lost(both, capsys):
    text = " ".join(asked(capsys, "statement", *both).split())
    assert "What the battery holds: 8" in text
    assert "% less, give or take" in text
    assert "% more, give or take" in text  # the resistance
    got = json.loads(asked(capsys, "statement", "--json", *both))["ageing"]
    now, then = got["capacity_ah"]["now"], got["capacity_ah"]["then"]
    assert now["lo"] <= 82.0 <= now["hi"]
    assert then["lo"] <= 100.0 <= then["hi"]
    ratio = got["capacity_ah"]["ratio"]
    assert ratio["lo"] <= 0.82 <= ratio["hi"] < 1.0
    assert got["capacity_ah"]["changed"]
    ohms = got["resistance_mohm"]["ratio"]
    assert ohms["lo"] <= 1.4 <= ohms["hi"]
    assert got["earlier_trips"] == 1
    date = datetime.fromtimestamp(START + 4 * 86400, UTC).strftime("%Y-%m-%d")
    assert got["capacity_ah"]["then_end"].startswith(date[:7])
    assert len(got["text"]) == 2


def test_fitout_and_report_say_the_same(both, folder, capsys):
    told = json.loads(asked(capsys, "statement", "--json", *both))["ageing"]
    fitout = json.loads(asked(capsys, "fitout", "--json", *both))
    assert fitout["ageing"] == told
    assert told["text"][0] in asked(capsys, "fitout", *both).replace("\n", " ")
    out = folder / "report.html"
    report = json.loads(asked(capsys, "report", "--out", out, "--json", *both))
    assert report["ageing"] == told
    assert "What the battery holds: 8" in out.read_text().replace("\u00a0", " ")


def test_the_capacity_series_is_of_this_trip(both, folder, capsys):
    out = folder / "series.csv"
    names = "capacity_house_ah,resistance_house_mohm"
    asked(capsys, "export", "--series", names, "--every", "3600s", "--out", out, *both)
    rows = np.genfromtxt(out, delimiter=",", names=True, dtype=None, encoding=None)
    last = float(rows["capacity_house_ah"][-1])
    assert last == pytest.approx(82.0, abs=5.0)


def test_the_first_trip_has_nothing_to_compare_with(folder, capsys):
    where = ["--rig", folder / "rig.toml", "--store", folder / "one.db"]
    asked(capsys, "import", folder / "old.csv", *where)
    got = json.loads(asked(capsys, "statement", "--json", *where))["ageing"]
    assert got["earlier_trips"] == 0
    assert got["text"] == []
    assert got["capacity_ah"]["ratio"]["value"] is None
    assert "What the battery holds" not in asked(capsys, "statement", *where)


def test_without_a_deep_swing_it_cannot_tell_yet(folder, capsys):
    where = ["--rig", folder / "rig.toml", "--store", folder / "shallow.db"]
    for name in ("old.csv", "shallow.csv"):
        asked(capsys, "import", folder / name, *where)
    got = json.loads(asked(capsys, "statement", "--json", *where))["ageing"]
    assert got["capacity_ah"]["now"]["value"] is None
    assert not got["capacity_ah"]["changed"]
    assert "can't tell yet, because no swing of 40 % or more" in got["text"][0]
    assert "(100 Ah, give or take" in got["text"][0]
