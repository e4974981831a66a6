import re
from dataclasses import replace

import pytest
from tests.support.report_trip import invented_trip

from campledger.judge.statement_types import LowPoint, Miss
from campledger.model.words import Word
from campledger.present.text import (
    PAGE,
    has_plan,
    pencil_sum,
    plan_heading,
    printed_miss,
    statement_text,
    taken_out,
)


@pytest.fixture(scope="module")
def statement():
    return invented_trip(days=5, dt=120.0)[4]


def _pencil(text):
    left, right = text.split(" = ")
    return sum(float(x.replace(" ", "")) for x in re.findall(r"[+-]? ?[\d.]+", left)), (
        float(right)
    )


def test_every_camp_day_adds_up_with_a_pencil_to_the_printed_digit(statement):
    for day in (*statement.days, statement.total):
        left, right = _pencil(pencil_sum(day))
        assert left == pytest.approx(right, abs=1e-9)  # printed tenths


def test_printed_lines_of_out_add_up_to_the_sum(statement):
    text = statement_text(statement)
    block = text[text.index("WHOLE TRIP") :]
    sums = re.search(r"([\d.]+) \+ [\d.]+ - ([\d.]+) - ", block)
    assert float(sums[2]) == pytest.approx(taken_out(statement.total), abs=1e-9)


def test_a_negative_remainder_is_added_and_a_missing_part_leaves_no_sum(statement):
    day = replace(statement.days[1], not_accounted=-0.3)
    assert " + 0.3 = " in pencil_sum(day)
    assert pencil_sum(replace(day, brought_forward=None)) == ""


def test_the_statement_fits_a_terminal_and_names_every_part(statement):
    text = statement_text(statement)
    assert max(len(line) for line in text.splitlines() if "img" not in line) <= PAGE
    for words in (
        "Brought forward",
        "Carried forward",
        "Not itemised",
        "Not accounted for",
        "of which your floor",
        "In hand",
        "NIGHTS IN HAND",
        "This logger",
        "planned",
        "dawn to dawn",
        "worked out",
        "assumed",
        "largest miss first",
    ):
        assert words in text


def test_without_a_plan_there_is_no_planned_column():
    statement = invented_trip(days=3, dt=300.0, plan=False)[4]
    text = statement_text(statement)
    assert not has_plan(statement)
    assert "No plan was entered before the trip." in text
    assert "planned" not in text.replace("was planned", "")


def test_headings_of_plans():
    assert plan_heading("frozen before the trip") == "Plan frozen before the trip."
    assert plan_heading("plan given afterwards, not frozen").startswith("Plan given")


def _miss(**changes):
    base = Miss(
        name="fridge",
        kind="load",
        unit="Ah",
        planned=36.0,
        measured=47.16,
        rate_part=-3.2,
        hours_part=14.36,
        rate_planned=4.5,
        hours_planned=8.0,
        rate_measured=4.1,
        hours_measured=11.5,
        lo=46.0,
        hi=48.0,
        duty=0.48,
        cause="on longer",
        word=Word.MEASURED,
    )
    return replace(base, **changes)


def test_the_worked_example_of_rate_and_hours_adds_up():
    # 4.5 A x 8 h planned, 4.1 A x 11.5 h measured: the project's own worked example.
    shown = printed_miss(_miss())
    assert shown.miss == "+11.2"
    assert (shown.rate_part, shown.hours_part) == ("-3.2", "+14.4")


@pytest.mark.parametrize("unit", ["Ah", "Wh"])
@pytest.mark.parametrize("rate", [-3.26, 0.04, 17.449, 0.5])
def test_printed_parts_always_add_up(unit, rate):
    miss = _miss(unit=unit, rate_part=rate, hours_part=47.16 - 36 - rate)
    shown = printed_miss(miss)
    total = float(shown.planned) + float(shown.rate_part) + float(shown.hours_part)
    assert total == pytest.approx(float(shown.measured), abs=1e-9)  # printed digits


def test_missing_plans_and_splits_show_a_blank():
    assert printed_miss(_miss(planned=None)).miss == "--"
    assert printed_miss(_miss(rate_part=None, hours_part=None)).rate_part == "--"


def test_low_points_and_hours_without_record_are_named(statement):
    low = LowPoint(time_utc=statement.days[1].end_utc, soc=0.41, spare=-8.1)
    day = replace(
        statement.days[1], low_point=low, censored=3600.0, coverage=0.9, notes=()
    )
    text = statement_text(replace(statement, days=(day,)))
    assert "8.1 Ah below your floor" in text
    assert "not counted as thrift" in " ".join(text.split())
    assert "Readings cover 90 %" in text
