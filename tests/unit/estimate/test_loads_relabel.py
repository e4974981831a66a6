"""Names given again to whole runs: levels met before, swaps, events told again."""

import numpy as np
import pytest

from campledger.estimate.loads.decode import Decoded, Event
from campledger.estimate.loads.habits import first_models
from campledger.estimate.loads.learn import Run
from campledger.estimate.loads.relabel import Trait, relabel, rename
from campledger.model.rig import House, Load, Rig

RIG = Rig(
    name="x",
    timezone="UTC",
    house=House(chemistry="lfp", capacity_rated=100),
    loads=(
        Load(name="lights", kind="lights", current_on=0.9),
        Load(name="fan", kind="fan", current_on=0.9),
        Load(name="laptop", kind="charger", current_on=4.0),
    ),
)
LIGHTS, FAN, LAPTOP = 1, 2, 3
DAYS = 7.0


@pytest.fixture(scope="module")
def models():
    return first_models(RIG, ("lights", "fan", "laptop"), 13.0)


def one(load, first, level, *, hour=20, hours=1.5, end=None):
    run = Run(
        load=load,
        first=first,
        last=first + 2,
        begin=first * 3600.0,
        end=first * 3600.0 + hours * 3600,
        level=level,
        surge=False,
        open_end=False,
    )
    trait = Trait(
        first=first,
        last=first + 2,
        cuts=(),
        levels=np.array([level]),
        ends=np.array([level if end is None else end]),
        hours=np.array([hours]),
        hour=hour,
        duration=hours * 3600,
        surge=False,
        open_end=False,
        energy=level * hours,
    )
    return run, trait


def names_of(models, *pairs):
    runs, shown = zip(*pairs, strict=True)
    return relabel(models, list(runs), list(shown), DAYS).label.tolist()


def test_a_steady_run_at_the_lights_level_is_not_the_laptops(models):
    known = [one(LIGHTS, 10 * k, 12.0) for k in range(4)]
    assert names_of(models, *known, one(LAPTOP, 50, 12.1)) == [LIGHTS] * 5


def test_a_level_met_three_times_by_the_fan_takes_the_fourth(models):
    known = [one(FAN, 10 * k, 6.0, hour=14) for k in range(3)]
    assert names_of(models, *known, one(LIGHTS, 50, 6.03, hour=14)) == [FAN] * 4


def test_a_name_is_not_taken_while_the_load_runs(models):
    known = [one(LIGHTS, 10 * k, 12.0) for k in range(4)]
    both = [one(LIGHTS, 50, 12.0), one(LAPTOP, 51, 12.1)]
    assert names_of(models, *known, *both)[-1] != LIGHTS


def test_two_runs_at_once_change_names_with_each_other(models):
    lights = [one(LIGHTS, 10 * k, 12.0) for k in range(4)]
    laptop = [one(LAPTOP, 100 + 10 * k, 52.0, hour=15, end=20.0) for k in range(4)]
    crossed = [one(LIGHTS, 200, 52.0, end=20.0), one(LAPTOP, 201, 12.0)]
    assert names_of(models, *lights, *laptop, *crossed)[-2:] == [LAPTOP, LIGHTS]


def test_events_are_told_again_under_the_new_names(models):
    known = [one(LIGHTS, 10 * k, 12.0) for k in range(4)]
    wrong = one(LAPTOP, 50, 12.1)
    runs, shown = (list(x) for x in zip(*known, wrong, strict=True))
    names = relabel(models, runs, shown, DAYS)
    events = (
        Event(segment=50, off=(), on=((LAPTOP, 12.1, 1.0),)),
        Event(segment=52, off=(LAPTOP,), on=()),
    )
    again = rename(Decoded(events=events, initial=()), runs, names).events
    assert again[0].on == ((LIGHTS, 12.1, 1.0),)
    assert again[1].off == (LIGHTS,)
