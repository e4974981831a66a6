from dataclasses import replace

import pytest
from tests.support.answers import invented_enough, urgent_enough

from campledger.judge.enough_types import HoursToFloor
from campledger.judge.enough_words import spare_words, verdict_words
from campledger.model.estimates import Estimate
from campledger.present.text_enough import (
    COLUMN,
    PAGE,
    counted_words,
    enough_text,
    floor_words,
    low_words,
)

ORDER = ("ENOUGH?", "CAR", "FRIDGE", "SAVES")


def _labels(text):
    return [line[:COLUMN].strip() for line in text.splitlines() if line[:1] != " "]


def test_the_four_lines_stand_in_their_fixed_order():
    assert tuple(_labels(enough_text(invented_enough()))) == ORDER


def test_anything_urgent_stands_before_them_and_moves_nothing():
    assert tuple(_labels(enough_text(urgent_enough()))) == ("ACT", *ORDER)


def test_the_word_comes_before_the_figure():
    assert verdict_words(invented_enough()) == "Yes - 8 Ah to spare, give or take 3."


@pytest.mark.parametrize(
    ("verdict", "starts"),
    [
        ("no", "No - "),
        ("too_close", "Too close to call - "),
        ("cannot_tell", "Can't tell - "),
    ],
)
def test_the_verdict_is_one_of_four_phrases(verdict, starts):
    assert verdict_words(invented_enough(verdict=verdict)).startswith(starts)


def test_a_shortfall_is_called_short():
    short = invented_enough(spare=Estimate(value=-90.4, lo=-95.0, hi=-85.0))
    assert spare_words(short.spare) == "90 Ah short, give or take 5"


def test_low_point_says_how_far_from_the_floor():
    assert "58 Ah - 8 above your floor" in low_words(invented_enough())
    assert low_words(urgent_enough()) == ""


def test_floor_time_shows_its_spread_and_the_horizon():
    text = floor_words(invented_enough())
    assert text == "Floor reached in about 21 h (8 in 10: 18 h to beyond 72 h)."
    whole = HoursToFloor(p10=18.0, p50=21.0, p90=30.0)
    assert "18 h to 30 h" in floor_words(invented_enough(hours_to_floor=whole))
    assert floor_words(urgent_enough()) == ""
    below = invented_enough(below_floor=4.0)
    assert floor_words(below) == "4 Ah below your floor now."


def test_no_line_is_wider_than_the_page_and_no_percentage_is_shown():
    for answer in (invented_enough(), urgent_enough()):
        text = enough_text(answer)
        assert max(map(len, text.splitlines())) <= PAGE
        assert "%" not in text


def test_an_old_reading_makes_the_answer_as_of():
    assert "as of" in counted_words(urgent_enough())
    assert "as of" not in counted_words(invented_enough())


def test_what_is_missing_is_said_with_its_reason():
    text = " ".join(enough_text(urgent_enough()).split())
    assert "Can't tell - no current of the battery is recorded." in text
    assert "In hand: can't tell: no current." in text
    assert "Nothing worth switching off." in text


def test_conditions_name_their_verdict_once():
    answer = invented_enough()
    text = " ".join(enough_text(answer).split())
    assert "Too close to call if tomorrow is like the worst day" in text
    said = replace(answer.conditions[0], text="no if tomorrow is like Tuesday")
    text = enough_text(replace(answer, conditions=(said,)))
    assert "No if tomorrow is like Tuesday." in text


def test_the_last_line_says_since_when_and_what_was_assumed():
    answer = invented_enough(
        counted_since="", assumed=("house.floor", "load.fridge.set_c", "a guess")
    )
    text = " ".join(enough_text(answer).split())
    assert "counted since the full charge of Thu 30 Apr, 6:20 pm" in text
    assert "Assumed: the floor, set_c of fridge and a guess." in text
    assert "counted since" not in counted_words(
        invented_enough(counted_since="", used_since=float("nan"))
    )
