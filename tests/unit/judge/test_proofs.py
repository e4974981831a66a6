"""Verdicts of the proof steps. Limits: common practice, no source."""

import math
from pathlib import Path

import pytest

from campledger.formats.rigfile import read_rig
from campledger.judge.proof_verdicts import Memory, judge_cut, judge_step
from campledger.judge.proofs import proof_steps
from campledger.model.rig import Correction

RIG = read_rig(Path(__file__).parents[3] / "config" / "demo_rig.toml")
CHANNELS = (
    "voltage_house_v",
    "current_house_a",
    "current_fridge_a",
    "temp_fridge_c",
    "voltage_start_v",
)
LIMITS = {"current_house_a": 0.02, "current_fridge_a": 0.02}
STEPS = proof_steps(RIG, CHANNELS, zero_limits=LIMITS)


def step(number, channel=None):
    return next(s for s in STEPS if s.number == number and channel in (None, s.channel))


def judge(which, values, typed=math.nan, memory=None, corrections=(), **others):
    readings = {which.channel: values, **others}
    return judge_step(which, readings, typed, memory or Memory(), corrections)


def test_steps_come_in_the_order_of_the_bench():
    numbers = [s.number for s in STEPS]
    assert numbers == sorted(numbers)
    assert {1, 2, 3, 4, 5, 8, 10, 11} <= set(numbers)
    assert all(s.do.endswith(".") and s.see for s in STEPS)
    only = proof_steps(RIG, ("voltage_house_v",), zero_limits={})
    assert {s.number for s in only} <= {5, 6, 11}


# Job text B6 and C37: zero within two counts; 10 uV on 0.1 mOhm is 2.4 Ah a day
def test_zero():
    assert judge(step(1), [0.01, -0.01]).passed
    got = judge(step(1, "current_house_a"), [-0.10, -0.10])
    assert not got.passed
    assert "2.4 Ah a day" in got.text
    assert "offset = 0.1\n" in got.correction.text
    assert got.memory.zeros == {"current_house_a": pytest.approx(-0.10)}
    flows = judge(step(1, "current_house_a"), [-7.25])
    assert not flows.passed
    assert flows.correction is None
    assert flows.memory.zeros == {}


# Job text B6: scale 0.97 to 1.03; C36: 0.667 is 50 mV for 75 mV; C35: swapped leads
@pytest.mark.parametrize(
    ("logged", "passed", "scale"),
    [
        (-5.0, True, None),
        (-5.15, True, None),
        (-4.85, False, 1.0309),
        (-3.333, False, 1.5002),
        (5.0, False, -1.0),
        (0.01, False, None),
    ],
)
def test_known_load(logged, passed, scale):
    got = judge(step(2), [logged] * 60, typed=5.0)
    assert got.passed is passed
    if scale is None:
        assert got.correction is None
    else:
        assert got.correction.scale == pytest.approx(scale, abs=1e-4)


def test_a_correction_undoes_sign_and_zero_together():
    memory = Memory(zeros={"current_house_a": 0.2})
    got = judge(step(2), [3.535], typed=5.0, memory=memory)
    fix = got.correction
    assert fix.scale * 3.535 + fix.offset == pytest.approx(-5.0, abs=1e-9)
    assert fix.scale * 0.2 + fix.offset == pytest.approx(0.0, abs=1e-9)
    assert "leads are swapped" in got.text


def test_an_offer_replaces_what_is_in_force():
    old = Correction(channel="current_house_a", scale=-1.0, offset=0.1)
    raw = 4.1  # corrected: -4.0
    got = judge(step(2), [-raw + 0.1], typed=5.0, corrections=(old,))
    fix = got.correction
    assert fix.scale * raw + fix.offset == pytest.approx(-5.0, abs=1e-9)
    assert fix.text.startswith("# instead of")


def test_sign_must_turn_over():
    assert judge(step(3), [8.0], memory=Memory(load=-5.0)).passed
    assert not judge(step(3), [-2.0], memory=Memory(load=-5.0)).passed
    assert judge(step(3), [8.0]).passed
    assert not judge(step(3), [-8.0]).passed


def test_small_currents_prove_no_scale():
    got = judge(step(2), [-0.52], typed=0.5)
    assert got.passed
    assert "no scale" in got.text


def test_circuits_by_their_own_meter_and_by_the_house():
    own = step(4, "current_fridge_a")
    assert judge(own, [0.0, 4.2, 4.2, 4.2], typed=4.25).passed
    assert judge(own, [0.0, -4.2, -4.2], typed=4.2).correction.scale == pytest.approx(
        -1
    )
    house = next(s for s in STEPS if s.number == 4 and s.kind == "switch")
    volts = {"voltage_house_v": [12.80, 12.75, 12.75]}
    got = judge(house, [-0.3, -2.3, -2.3], typed=2.0, **volts)
    assert got.passed
    assert "-50 mV" in got.text
    swapped = judge(house, [0.3, 2.3, 2.3], typed=2.0)
    assert not swapped.passed
    assert swapped.correction.scale == -1.0
    assert not judge(house, [-0.3, -0.3, -0.3], typed=2.0).passed


# Job text B6: volts within 0.03 V; an issue thread: a board 1.5 % high = 0.2 V at 13 V
def test_volts():
    volts = step(5, "voltage_house_v")
    assert judge(volts, [12.80], typed=12.82).passed
    got = judge(volts, [13.195], typed=13.0)
    assert not got.passed
    assert got.correction.offset == pytest.approx(-0.195)
    assert "One point only" in got.text


def test_crank_standing_and_cooling():
    crank = step(6)
    assert judge(crank, [12.6, 9.8, 12.4] * 5).passed
    assert not judge(crank, [12.6] * 15).passed
    lost = judge(crank, [12.6, 9.8, math.nan, math.nan, 12.4])
    assert not lost.passed
    assert "60 %" in lost.text
    known = step(10).expected
    assert judge(step(10), [-known - 0.1]).passed
    assert not judge(step(10), [-known - 0.2]).passed
    assert not judge(step(10), [0.5]).passed
    assert judge(step(8), [24.0, 22.0, 20.0]).passed
    assert not judge(step(8), [24.0, 24.0]).passed


def test_nothing_read_is_no_proof():
    got = judge(step(2), [math.nan] * 3, typed=5.0)
    assert not got.passed
    assert "No reading of current_house_a" in got.text


# Job text B6 step 11 and contract: a cut costs at most the window
@pytest.mark.parametrize(
    ("lost", "restarted", "passed"),
    [(4.0, True, True), (14.9, True, True), (40.0, True, False), (4.0, False, False)],
)
def test_pulled_plug(lost, restarted, passed):
    got = judge_cut(1000.0, 1000.0 - lost, restarted=restarted, window=10.0)
    assert got.passed is passed
    assert not judge_cut(1000.0, math.nan, restarted=True, window=10.0).passed
