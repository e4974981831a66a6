"""Many rigs side by side: the sums are right, the order is honest, the page is safe."""

import json
import math
import shutil
import sys
from pathlib import Path

import numpy as np
import pyarrow as pa
import pyarrow.parquet as pq
import pytest

from campledger.app.fleet import read_fleet
from campledger.errors import InputError
from campledger.formats.export import write_series
from campledger.judge.fleet import (
    AgePoint,
    RigAccount,
    ageing_of,
    compare_rigs,
)
from campledger.model.estimates import Estimate
from campledger.present.fleet_page import fleet_html, verdict

TOP = Path(__file__).resolve().parents[3]
RIG = TOP / "config" / "demo_rig.toml"
sys.path.insert(0, str(TOP / "tests" / "bench"))
import bench_fleet  # noqa: E402


def near(value):
    return pytest.approx(value, rel=1e-9, abs=1e-9)


@pytest.fixture(scope="module")
def exports(tmp_path_factory):
    folder = tmp_path_factory.mktemp("exports")
    truth = {
        f"rig {s:03d}": bench_fleet.make_rig(folder / f"{s}.parquet", s, days=3)
        for s in range(7)
    }
    return folder, truth


def test_sums_of_parquet_are_those_of_numpy(exports):
    folder, truth = exports
    fleet = read_fleet(str(folder))
    assert {r.name for r in fleet.rigs} == set(truth)
    for rig in fleet.rigs:
        known = truth[rig.name]
        assert rig.into == near(known["into"])
        assert rig.out == near(known["out"])
        assert rig.soc_end.value == near(known["soc_end"])
        assert rig.volts_min == near(known["volts_min"])
        assert rig.hours_below_floor == near(known["below"])
        solar = next(p for p in rig.places if p.name == "solar")
        assert (solar.charge, solar.role) == (near(known["solar"]), "in")
        assert rig.covered == pytest.approx(0.99, abs=0.01)
    ends = [r.soc_end.value for r in fleet.rigs]
    assert ends == sorted(ends)


def test_two_overlapping_exports_of_a_rig_count_once(tmp_path):
    truth = bench_fleet.make_rig(tmp_path / "a.parquet", 3, days=2)
    table = pq.read_table(tmp_path / "a.parquet")
    half = table.num_rows // 2
    pq.write_table(table.slice(0, half + 300), tmp_path / "b.parquet")
    pq.write_table(table.slice(half), tmp_path / "c.parquet")
    (tmp_path / "a.parquet").unlink()
    (rig,) = read_fleet(str(tmp_path)).rigs
    assert rig.into == near(truth["into"])
    assert rig.out == near(truth["out"])
    assert len(rig.ageing) == 1


def test_two_rigs_of_one_name_are_not_mixed(tmp_path):
    for name, seed in (("a", 1), ("b", 2)):
        bench_fleet.make_rig(tmp_path / f"{name}.parquet", seed, days=1)
        table = pq.read_table(tmp_path / f"{name}.parquet")
        named = table.replace_schema_metadata({"rig": "Van"})
        pq.write_table(named, tmp_path / f"{name}.parquet")
    with pytest.raises(InputError, match="Van: got exports of one name"):
        read_fleet(str(tmp_path))


def test_a_folder_named_after_the_rig_names_it(tmp_path):
    place = tmp_path / "rig=Number 9"
    place.mkdir()
    time = 1.78e9 + 60.0 * np.arange(100)
    write_series(place / "x.parquet", time, {"voltage_house_v": np.full(100, 12.5)})
    fleet = read_fleet(str(tmp_path))
    (rig,) = fleet.rigs
    assert rig.name == "Number 9"
    assert math.isnan(rig.into)
    assert "soc_house: not exported" in rig.missing
    assert verdict(fleet).startswith("Can't tell")


def test_what_cannot_be_read_is_told_and_the_others_go_on(exports, tmp_path):
    folder, _ = exports
    shutil.copy(folder / "1.parquet", tmp_path / "1.parquet")
    (tmp_path / "broken.parquet").write_bytes(b"PAR1 nothing PAR1")
    pq.write_table(pa.table({"x": [1]}), tmp_path / "other.parquet")
    (tmp_path / "bad.zip").write_bytes(b"PK no archive")
    (tmp_path / "van").mkdir()
    shutil.copy(RIG, tmp_path / "van" / "rig.toml")
    (tmp_path / "van" / "campledger.db").write_bytes(b"not a store" * 900)
    fleet = read_fleet(str(tmp_path))
    assert len(fleet.rigs) == 1
    assert len(fleet.refused) == 4
    assert all("\n" not in line and "expected" in line for line in fleet.refused)


def test_an_empty_folder_is_refused_in_a_line(tmp_path):
    with pytest.raises(InputError, match="no store and no export"):
        read_fleet(str(tmp_path))
    with pytest.raises(InputError, match="no such folder"):
        read_fleet(str(tmp_path / "none"))


def test_store_archive_and_export_of_a_trip_say_the_same(run, where, tmp_path):
    folder = tmp_path / "all"
    (folder / "van").mkdir(parents=True)
    shutil.copy(where[1], folder / "van" / "rig.toml")
    shutil.copy(where[3], folder / "van" / "campledger.db")
    assert run("archive", folder / "van.zip", *where)[0] == 0
    out = ("--series", "fleet", "--every", "60s", "--out", folder / "van.parquet")
    assert run("export", *out, *where)[0] == 0
    page = tmp_path / "fleet.html"
    code, said, err = run("fleet", folder, "--out", page, "--json")
    assert (code, err) == (0, "")
    rigs = {r["kind"]: r for r in json.loads(said)["rigs"]}
    store, archive, export = rigs["store"], rigs["archive"], rigs["parquet"]
    same = ("into_ah", "out_ah", "soc_end", "capacity_ah", "statement_ah")
    for key in same:
        assert archive[key] == store[key], key
    assert [f["id"] for f in archive["findings"]] == [
        f["id"] for f in store["findings"]
    ]
    assert export["findings"] is None
    assert export["soc_end"]["value"] == pytest.approx(
        store["soc_end"]["value"], abs=0.005
    )
    assert export["capacity_ah"]["value"] == pytest.approx(
        store["capacity_ah"]["value"]
    )
    assert export["into_ah"] == pytest.approx(store["into_ah"], rel=0.05, abs=0.5)
    lines = dict(store["statement_ah"])
    places = {(p["role"], p["place"]): p["ah"] for p in store["places"]}
    total = json.loads(run("statement", "--json", *where)[1])["total"]
    assert lines["carried_forward"] == total["carried_forward_ah"]
    for name, amount in total["in"].items():
        if amount["measured_ah"] is not None:
            assert places[("in", name)] == pytest.approx(amount["measured_ah"])
    assert "Totals of each trip" in page.read_text()


def rig(name, soc=math.nan, **kw):
    end = Estimate(value=soc, lo=soc - 0.05, hi=soc + 0.05)
    facts = {
        "kind": "parquet",
        "start_utc": 0.0,
        "end_utc": 864000.0,
        "covered": 1.0,
        "capacity": Estimate(value=80.0, lo=75.0, hi=85.0),
        "capacity_rated": 100.0,
    }
    return RigAccount(name=name, soc_end=end, **(facts | kw))


def test_a_rig_without_a_state_of_charge_is_never_ranked_among_the_others():
    fleet = compare_rigs(
        [rig("c", into=10.0, out=500.0), rig("b", 0.8), rig("a", 0.3), rig("d")]
    )
    assert [r.name for r in fleet.rigs] == ["a", "b", "c", "d"]
    assert fleet.known == 2
    assert fleet.rigs[0].wanting == pytest.approx(56.0)
    assert "may be hungrier" in fleet_html(fleet)


def test_only_what_is_far_from_the_rest_differs():
    outs = [400.0, 410.0, 420.0, 390.0, 405.0, 900.0]
    fleet = compare_rigs([rig(str(i), 0.5, out=x) for i, x in enumerate(outs)])
    told = {
        r.name: [d.figure for d in found]
        for r, found in zip(fleet.rigs, fleet.differences, strict=True)
    }
    assert told.pop("5") == ["out"]
    assert not any(told.values())
    few = compare_rigs([rig(str(i), 0.5, out=x) for i, x in enumerate(outs[2:])])
    assert not any(few.differences)


def test_ageing_is_sure_only_if_the_intervals_do_not_touch():
    def point(when, value, half):
        return AgePoint(
            time_utc=when,
            capacity=Estimate(value=value, lo=value - half, hi=value + half),
        )

    (sure,) = ageing_of((point(2.0, 70.0, 3.0), point(1.0, 90.0, 3.0)))
    assert (sure.first.value, sure.last.value, sure.sure) == (90.0, 70.0, True)
    (open_,) = ageing_of((point(1.0, 90.0, 15.0), point(2.0, 70.0, 15.0)))
    assert not open_.sure
    (bare,) = ageing_of((point(1.0, 90.0, math.nan), point(2.0, 70.0, math.nan)))
    assert not bare.sure
    assert ageing_of((point(1.0, 90.0, 3.0),)) == ()


def test_names_cannot_become_markup():
    text = fleet_html(compare_rigs([rig("<script>alert(1)</script>", 0.4)]))
    assert "<script>alert" not in text
    assert "&lt;script&gt;alert(1)" in text


def test_a_battery_is_followed_over_the_trips_of_a_store(run, recording, tmp_path):
    head, *rows = recording.read_text().splitlines()
    assert head.split(",")[0] == "time_utc"
    later = []
    for row in rows[::8]:
        when, rest = row.split(",", 1)
        day = f"2026-04-{int(when[8:10]) + 10:02d}"
        later.append(f"{day}{when[10:]},{rest}")
    (tmp_path / "a.csv").write_text("\n".join([head, *rows[::8]]) + "\n")
    (tmp_path / "b.csv").write_text("\n".join([head, *later]) + "\n")
    place = tmp_path / "fleet" / "van"
    place.mkdir(parents=True)
    shutil.copy(RIG, place / "rig.toml")
    options = ("--rig", RIG, "--store", place / "campledger.db")
    words = ("--set", "clock=own", *options)
    code, _, err = run("import", tmp_path / "a.csv", tmp_path / "b.csv", *words)
    assert code == 0, err
    (van,) = read_fleet(str(tmp_path / "fleet")).rigs
    assert len(van.ageing) == 2
    assert van.ageing[1].time_utc - van.ageing[0].time_utc > 20 * 86400
    assert van.missing == ()
    assert van.end_utc - van.start_utc < 5 * 86400
    assert {a.quantity for a in ageing_of(van.ageing)} == {"capacity", "resistance"}
    (one,) = read_fleet(str(tmp_path / "fleet"), trips=1).rigs
    assert len(one.ageing) == 1
