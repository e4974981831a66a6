"""The machinery that all findings share: verdicts, sensors first, causes, data."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from campledger.judge.finding import Fingerprint, Proof, Verdict
from campledger.judge.fitout import check_description
from campledger.judge.fitout.assemble import OTHER_ROWS, SENSOR_ROWS
from campledger.judge.fitout.causes import FOLDS
from campledger.judge.fitout.handover import STEPS, make_handover
from campledger.model.rig import Cable, House, Source
from support.fitout_fixture import BASE, build, judge, plant, rig

BARRED = ("bigger fuse", "larger fuse", "complies with", "certified", "idle the engine")


def whole(trip):
    return judge(
        trip.record,
        trip.rig,
        estimates=trip.estimates,
        plan=trip.plan,
        proofs=trip.proofs,
        earlier_fingerprint=trip.earlier,
    )


@pytest.fixture(scope="module")
def clean():
    trip = plant("", 0.0, 905)
    return trip, whole(trip)


def bare():
    t = BASE + np.arange(0.0, 6 * 3600.0, 60.0)
    return build(t, {"voltage_house_v": 12.6 + 0.0 * t})


def test_catalogue_is_complete():
    ids = {r.id for r in (*SENSOR_ROWS, *OTHER_ROWS)} | {"C7"}
    assert ids == {f"C{n}" for n in range(1, 60)}
    for key, symptoms in FOLDS:
        assert {key.rstrip("!"), *symptoms} <= ids


def test_findings_stand_in_order(clean):
    _, result = clean
    assert [f.id for f in result.findings] == [f"C{n}" for n in range(1, 60)]
    assert [f.id for f in result.sensors] == [f"C{n}" for n in range(35, 45)]


def test_volts_alone_pass_nothing_that_was_not_measured():
    result = judge(bare(), rig())
    passed = {f.id for f in result.findings if f.verdict == Verdict.PASS}
    assert passed <= {"C7", "C18", "C40", "C44", "C57", "C58"}
    assert not [f for f in result.findings if f.is_alarm]
    for finding in result.findings:
        if finding.verdict == Verdict.CANNOT_TELL:
            assert finding.needs, finding.id


def test_next_sensor_is_the_house_shunt_when_only_volts_exist():
    best = judge(bare(), rig()).next_sensor
    assert best is not None
    assert best.channel == "current_house_a"
    assert len(best.settles) >= 5


def test_every_line_ends_with_a_meter_step(clean):
    _, result = clean
    for finding in result.findings:
        assert finding.next
        text = " ".join((finding.reads, finding.next, finding.care)).lower()
        assert not [w for w in BARRED if w in text], finding.id


@pytest.mark.parametrize(
    ("name", "spoiled"),
    [
        ("C35", ("C28", "C34", "C38", "C39", "C50")),
        ("C36b", ("C28", "C34", "C38", "C39")),
        ("C40b", ("C1", "C2", "C4")),
    ],
)
def test_sensor_fault_comes_first_and_spoils_what_leans_on_it(name, spoiled):
    result = whole(plant(name, 1.5, 906))
    assert result.causes[0].id == name.rstrip("b")
    for other in spoiled:
        verdict = result.finding(other).verdict
        assert verdict in (Verdict.CANNOT_TELL, Verdict.NOT_FITTED)


def test_corrections_are_offered_with_a_block_to_accept():
    offers = whole(plant("C36b", 1.5, 907)).corrections
    assert offers[0].scale == pytest.approx(1 / 0.667, rel=0.01)  # gain errors 0.3 %
    assert offers[0].text.startswith("[[correction]]")


def test_isolated_test_decides_the_zero():
    proof = Proof(
        step=1, time_utc=BASE, channel="current_house_a", typed=0.0, logged=-0.1
    )
    t = BASE + np.arange(0.0, 6 * 3600.0, 60.0)
    record = build(
        t, {"voltage_house_v": 12.6 + 0 * t, "current_house_a": -0.2 + 0 * t}
    )
    found = judge(record, rig(), proofs=(proof,)).finding("C37")
    assert found.verdict == Verdict.FAULT
    assert "2.4 Ah a day of phantom use" in found.reads
    assert judge(record, rig()).finding("C37").verdict == Verdict.CANNOT_TELL


def test_aged_parts_are_named(clean):
    trip, result = clean
    assert result.fingerprint.loops["fridge"] == pytest.approx(0.041, rel=0.15)
    assert any("fridge feed" in line for line in result.aged)
    old = replace(trip.earlier, loops={"fridge": 0.02})
    again = judge(
        trip.record, trip.rig, estimates=trip.estimates, earlier_fingerprint=old
    )
    assert any("was 20" in line for line in again.aged)
    assert judge(trip.record, trip.rig, estimates=trip.estimates).aged == ()


def test_nothing_is_written_into_the_record(clean):
    trip, _ = clean
    before = trip.record.channels["current_house_a"].value.copy()
    whole(trip)
    np.testing.assert_array_equal(trip.record.channels["current_house_a"].value, before)


def test_handover_data_is_whole(clean):
    trip, result = clean
    page = make_handover(trip.record, trip.rig, result, proofs=trip.proofs)
    assert len(page.steps) == len(STEPS) == 11
    assert page.described[0][0] == "House battery"
    assert any("milliohm" in words for _, words in page.described)


def cable(**changes):
    base = Cable(
        name="fridge",
        place_from="house",
        place_to="fridge",
        length=5.0,
        size="6 mm auto",
        area=4.6,
        current_fuse=15.0,
        distance_fuse=0.15,
        current_rating=25.0,
    )
    return replace(base, **changes)


@pytest.mark.parametrize(
    ("changes", "verdict"),
    [
        ({}, "pass"),
        ({"current_rating": 10.0}, "fault"),
        ({"distance_fuse": 0.6}, "worth_a_look"),
        ({"distance_fuse": 1.2}, "fault"),
        ({"current_fuse": None}, "cannot_tell"),
    ],
)
def test_fuses_from_the_description(changes, verdict):
    found = check_description(rig(cables=(cable(**changes),)))[0]
    assert found.id == "C7"
    assert found.verdict == verdict
    assert found.from_description
    assert found.reads.startswith("From description")


def test_description_before_any_record():
    described = rig(
        house=House(
            chemistry="agm", capacity_rated=100.0, floor=0.3, current_charge_max=20.0
        ),
        sources=(Source(name="alternator", kind="dcdc", current_rated=25.0),),
        cables=(
            cable(),
            cable(name="feed", place_to="alternator", current_fuse=25.0),
        ),
        mass_limit=3100.0,
        mass_weighed=3150.0,
    )
    found = {f.id: f for f in check_description(described)}
    assert found["D1.alternator"].verdict == Verdict.WORTH_A_LOOK
    assert "draws about 32 A" in found["D1.alternator"].reads
    assert found["D2"].verdict == Verdict.WORTH_A_LOOK
    assert found["D3"].verdict == Verdict.WORTH_A_LOOK
    assert "vary by maker" in found["D4.fridge"].reads
    assert "50 kg over the limit" in found["D5"].reads


def test_fingerprint_starts_empty():
    made = Fingerprint(made_utc=0.0)
    assert made.loops == {}
    assert np.isnan(made.resistance_house)
