"""The sentences: verdict first, "should", never "will", no percentage."""

import pytest

from campledger.judge.enough_types import CarAnswer, FridgeAnswer, Saving
from campledger.judge.enough_words import (
    about_hours,
    amount,
    car_line,
    fridge_line,
    saves_line,
    spare_words,
)
from campledger.model.estimates import Estimate


def test_spare_words():
    assert spare_words(Estimate(value=8.1, lo=5.1, hi=11.1)) == (
        "8 Ah to spare, give or take 3"
    )
    assert spare_words(Estimate(value=-90.2, lo=-93.2, hi=-87.2)).startswith(
        "90 Ah short"
    )
    assert spare_words(Estimate.missing("no shunt")) == ""


@pytest.mark.parametrize(
    ("hours", "words"),
    [
        (0.1, "minutes"),
        (0.3, "about a quarter of an hour"),
        (0.54, "about half an hour"),
        (1.0, "about an hour"),
        (5.2, "about 5 h"),
    ],
)
def test_hours_as_a_person_says_them(hours, words):
    assert about_hours(hours) == words


def test_amounts():
    assert amount(0.44) == "0.4"
    assert amount(-13.6) == "14"


def test_car_lines():
    car = CarAnswer(
        verdict="should_start",
        reason="volts only; a worn battery can still fail",
        volts=12.62,
        rested=9.0,
        joined=False,
    )
    assert car_line(car) == (
        "Should start. Start battery 12.62 V rested 9 h; not joined. "
        "(Volts only; a worn battery can still fail.)"
    )
    blind = CarAnswer(verdict="cannot_tell", reason="start battery not measured")
    assert car_line(blind) == "Can't tell: start battery not measured."


def test_fridge_lines():
    blind = FridgeAnswer(name="fridge", verdict="cannot_tell", reason="not measured")
    assert fridge_line(blind) == "Can't tell: not measured."
    warm = FridgeAnswer(
        name="fridge", verdict="warms", reason="it has no power", temp=7.0, limit=5.0
    )
    assert fridge_line(warm) == "7.0 degC. Warming: it has no power."


def test_saves_lines():
    assert saves_line(()) == "Nothing worth switching off."
    saving = Saving(
        load="fridge",
        kind="fridge",
        charge=3.5,
        charge_a_day=3.5,
        text="Fridge off 22-06: 3.5 Ah",
        note="inside reaches 11 degC, your limit is 5",
    )
    assert saves_line((saving,)) == (
        "Fridge off 22-06: 3.5 Ah (inside reaches 11 degC, your limit is 5)."
    )
