import pytest

from campledger.model.estimates import Estimate
from campledger.present import wording as w

T = 1777588200.0  # 2026-05-01T08:00:00+09:30
ZONE = 9.5 * 3600


def test_moments_are_given_in_rig_time_and_english():
    assert w.clock(T, ZONE) == "8 am"
    assert w.clock(T + 5400, ZONE) == "9:30 am"
    assert w.clock(T + 4 * 3600, ZONE) == "noon"
    assert w.clock(T - 8 * 3600, ZONE) == "midnight"
    assert w.clock(T + 13 * 3600, ZONE) == "9 pm"
    assert w.day_short(T, ZONE) == "Fri 1"
    assert w.day_month(T, ZONE) == "Fri 1 May"
    assert w.day_full(T, ZONE) == "Friday 1 May"
    assert w.day_clock(T, ZONE) == "Fri 1 May, 8 am"
    assert w.stamp(T, ZONE) == "2026-05-01 08:00"


@pytest.mark.parametrize(
    ("offset", "iso", "name"),
    [
        (ZONE, "2026-05-01T08:00:00+09:30", "UTC+9:30"),
        (0.0, "2026-04-30T22:30:00+00:00", "UTC"),
        (-3.5 * 3600, "2026-04-30T19:00:00-03:30", "UTC-3:30"),
    ],
)
def test_offset_is_written_with_its_sign(offset, iso, name):
    assert w.iso(T, offset) == iso
    assert w.offset_name(offset) == name


def test_seconds_before_the_hour_round_to_it_and_carry_the_day():
    assert w.clock(T - 20, ZONE) == "8 am"


def test_figures_never_show_a_minus_nought():
    assert w.number(-0.04) == "0.0"
    assert w.signed(-0.04) == "0.0"
    assert w.signed(0.2) == "+0.2"
    assert w.signed(-0.2) == "-0.2"
    assert w.number(None) == w.number(float("nan")) == w.BLANK
    assert w.signed(None) == w.BLANK


def test_amounts_in_sentences_drop_needless_digits():
    assert w.about(8.0) == "8"
    assert w.about(8.04) == "8"
    assert w.about(3.26) == "3.3"
    assert w.about(33.4) == "33"
    assert w.about(None) == w.share(None) == w.hours(None) == w.BLANK


def test_lengths_of_time():
    assert w.hours(2400) == "40 min"
    assert w.hours(7200) == "2 h"
    assert w.hours(26400) == "7 h 20 min"
    assert w.hours(76 * 3600) == "3 days 4 h"
    assert w.hours(72 * 3600) == "3 days"


def test_lists_plurals_and_sentences():
    assert w.listed([]) == ""
    assert w.listed(["a"]) == "a"
    assert w.listed(["a", "b", "c"]) == "a, b and c"
    assert w.plural(1, "night") == "1 night"
    assert w.plural(2, "fault") == "2 faults"
    assert w.sentence("so it is") == "So it is."
    assert w.sentence("why?") == "Why?"
    assert w.sentence(" ") == ""
    assert w.sentence("temp_air_c is missing") == "temp_air_c is missing."


def test_give_or_take_is_half_the_interval_or_the_reason():
    assert w.give_or_take(Estimate(value=82.0, lo=79.0, hi=85.0), "Ah") == (
        "82.0 Ah, give or take 3.0"
    )
    assert w.give_or_take(Estimate.missing("no swing"), "Ah") == "can't tell: no swing"
    assert w.give_or_take(Estimate.missing(""), "Ah") == "can't tell"


def test_lines_never_break_between_a_figure_and_its_unit():
    lines = w.wrap("reached at 9 am with 40 Ah and 58 % left", 12)
    assert all(not line.endswith(("9", "40", "58")) for line in lines)
    assert w.NO_BREAK not in "".join(lines)


def test_line_names():
    assert w.name_of("logger") == "This logger"
    assert w.name_of("solar") == "Sun"
    assert w.name_of("awninglamp") == "Awninglamp"
