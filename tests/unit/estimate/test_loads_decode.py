"""Joint decoding and smoothing of small made scenes with known events."""

import numpy as np
import pytest

from campledger.estimate.loads.around import conditions
from campledger.estimate.loads.confusion import doubt, group_alike
from campledger.estimate.loads.decode import decode
from campledger.estimate.loads.habits import (
    BASE,
    HABITS,
    Habit,
    build_model,
    first_models,
)
from campledger.estimate.loads.learn import list_runs, relearn
from campledger.estimate.loads.remainder import Remainder
from campledger.estimate.loads.segments import cut_segments
from campledger.estimate.loads.smooth import load_power, owners, shares, tell_story
from campledger.model.rig import House, Load, Rig

RIG = Rig(
    name="x",
    timezone="UTC",
    house=House(chemistry="lfp", capacity_rated=100),
    loads=(
        Load(name="fridge", kind="fridge", current_on=3.5),
        Load(name="lights", kind="lights", current_on=0.9),
        Load(name="pump", kind="pump", current_on=5.0),
        Load(name="laptop", kind="charger", current_on=4.6),
    ),
)
NAMES = ("fridge", "lights", "pump", "laptop")


def scene(*parts, n=40_000, seed=0):
    rng = np.random.default_rng(seed)
    power = 1.5 + rng.normal(0, 0.15, n)
    for start, stop, level in parts:
        power[start:stop] += level
    return Remainder(
        time_utc=1.75e9 + np.arange(n),
        power=power,
        volts=np.full(n, 13.0),
        source_power=np.zeros(n),
        interval=1.0,
        hole=5.0,
        averaged=False,
        gains=(),
    )


FRIDGE = [(a, a + 600, 45.0) for a in range(1000, 39_000, 1800)]


def solve(rest):
    segments = cut_segments(rest)
    around = conditions(rest, segments, 0.0)
    models = first_models(RIG, NAMES, 13.0)
    decoded = decode(models, segments, around, step=1.0, base=1.5)
    return (
        models,
        segments,
        around,
        decoded,
        tell_story(models, segments, around, decoded),
    )


def test_fridge_laptop_pump_and_lights_are_told_apart():
    rest = scene(
        *FRIDGE, (5_300, 5_315, 64.0), (20_100, 27_300, 61.0), (30_100, 36_400, 11.0)
    )
    models, segments, around, _, story = solve(rest)
    runs = list_runs(segments, story)
    by_name = {m.name: [r for r in runs if r.load == i] for i, m in enumerate(models)}
    assert len(by_name["fridge"]) == len(FRIDGE)
    assert len(by_name["pump"]) == 1
    assert len(by_name["laptop"]) == 1
    assert len(by_name["lights"]) == 1
    assert by_name["laptop"][0].level == pytest.approx(61.0, abs=0.5)
    assert by_name["lights"][0].end - by_name["lights"][0].begin == pytest.approx(
        6_300, abs=5
    )
    share = shares(models, segments, around, story)
    owner = owners(rest, segments)
    total = sum(
        load_power(rest, segments, story, share, owner, i) for i in range(len(models))
    )
    # everything is accounted for, reading by reading
    assert np.nanmax(np.abs(total - rest.power)) < 1e-6


def test_what_fits_nothing_stays_unknown():
    rest = scene(*FRIDGE, (20_100, 23_000, 310.0))
    models, segments, _, _, story = solve(rest)
    runs = [r for r in list_runs(segments, story) if r.level > 200]
    assert [models[r.load].name for r in runs] == ["not itemised"]


def test_learning_sharpens_the_level_and_keeps_unseen_loads():
    rest = scene(*FRIDGE)
    models, segments, around, decoded, story = solve(rest)
    learnt = relearn(models, segments, around, decoded, story, 0.46)
    fridge = learnt[1]
    assert fridge.mean[0] == pytest.approx(45.0, abs=0.5)
    assert fridge.std[0] < 0.1 * fridge.mean[0]
    assert learnt[4].rate < models[4].rate


def test_two_loads_alike_are_a_group_and_two_unlike_are_not():
    lamp = build_model("lamp", "lights", 12.0, HABITS["lights"])
    twin = build_model("twin", "lights", 12.0, HABITS["lights"])
    fridge = build_model("fridge", "fridge", 45.0, HABITS["fridge"])
    base = build_model(BASE, "base", 1.0, Habit(on_time=1e5, on_spread=1.0))
    unknown = build_model("rest", "unknown", 30.0, HABITS["other"])
    rest = scene(*FRIDGE, (20_100, 27_000, 11.0), (30_100, 36_000, 11.0))
    segments = cut_segments(rest)
    around = conditions(rest, segments, 0.0)
    models = [base, fridge, lamp, twin, unknown]
    decoded = decode(models, segments, around, step=1.0, base=1.5)
    story = tell_story(models, segments, around, decoded)
    runs = list_runs(segments, story)
    found = doubt(models, runs, around, story.on)
    energy = np.zeros(5)
    for r in runs:
        energy[r.load] += r.level * (r.end - r.begin) / 3600
    energy[3] = max(energy[3], 1.0)
    energy[2] = max(energy[2], 1.0)
    assert group_alike(found.shared, energy) == [[2, 3]]
