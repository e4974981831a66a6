"""Proof steps of isolators and inverters. Limits: common practice, no source."""

import pytest

from campledger.judge.proof_verdicts import Memory, judge_step
from campledger.judge.proofs import proof_steps
from campledger.model.rig import House, Load, Rig, Source, StartBattery

RIG = Rig(
    name="Bench",
    timezone="UTC",
    house=House(chemistry="agm", capacity_rated=100.0),
    start=StartBattery(),
    sources=(Source(name="split", kind="isolator"),),
    loads=(Load(name="inverter", kind="inverter", current_idle=0.6),),
)
CHANNELS = ("voltage_house_v", "current_house_a", "current_split_a", "voltage_start_v")
LIMITS = dict.fromkeys(("current_house_a", "current_split_a"), 0.02)
STEPS = {s.kind: s for s in proof_steps(RIG, CHANNELS, zero_limits=LIMITS)}


def judge(kind, values, typed=0.0, zeros=None):
    step = STEPS[kind]
    memory = Memory(zeros=zeros or {})
    return judge_step(step, {step.channel: values}, typed, memory)


@pytest.mark.parametrize(
    ("values", "passed", "words"),
    [
        ([12.0, 4.0, 0.0], True, "is 0.00 A"),
        ([12.0, 11.0, 9.0], False, "has not dropped"),
        ([0.0, 0.0, 0.0], False, "was not closed"),
    ],
)
def test_isolator(values, passed, words):
    got = judge("isolator", values)
    assert got.passed is passed
    assert words in got.text


@pytest.mark.parametrize(
    ("logged", "typed", "passed"),
    [(-0.62, 0.6, True), (-0.30, 0.6, False), (-5.1, 5.0, True), (-0.6, 0.0, False)],
)
def test_inverter_idle(logged, typed, passed):
    got = judge("idle", [logged] * 9, typed)
    assert got.passed is passed
    assert "Ah a day if left on" in got.text


def test_zero_is_taken_off():
    assert judge("idle", [-0.7] * 3, 0.6, {"current_house_a": -0.1}).passed
