"""Plan files: read, refused in whole, written and read back."""

from datetime import date
from pathlib import Path

import pytest

from campledger.errors import FaultsError
from campledger.formats.planfile import read_plan, write_plan

ROOT = Path(__file__).parents[3]
TEXT = """[trip]
name = "Three nights"
start = 2026-05-01T08:00:00+09:30
end = 2026-05-04T12:00:00+09:30
opening_soc = 1.0
[every_day]
temp_max_c = 29
[[day]]
date = 2026-05-01
drive_h = 2.0
[load.fridge]
on_a = 4.5
duty = 0.25
figure = "label"
[load.lights]
wh_per_day = 40
"""


def plan(tmp_path, text):
    path = tmp_path / "plan.toml"
    path.write_text(text)
    return read_plan(path)


def test_a_plan_is_read_in_the_units_of_the_core(tmp_path):
    read = plan(tmp_path, TEXT)
    assert (read.start_utc, read.utc_offset) == (1777588200.0, 34200.0)
    day = read.day(date(2026, 5, 1))
    assert (day.drive, day.temp_max) == (7200.0, 29.0)
    fridge, lights = read.loads
    assert (fridge.typed, fridge.hours, fridge.current_on) == ("duty", 6.0, 4.5)
    assert (lights.typed, lights.energy, lights.figure) == ("energy", 40.0, "guess")


def test_written_and_read_back_it_is_the_same(tmp_path):
    first = plan(tmp_path, TEXT)
    again = plan(tmp_path, write_plan(first))
    same = (
        "name",
        "start_utc",
        "end_utc",
        "utc_offset",
        "opening_soc",
        "every_day",
        "days",
        "loads",
    )
    assert [getattr(again, n) for n in same] == [getattr(first, n) for n in same]


@pytest.mark.parametrize(
    ("old", "new", "fault"),
    [
        (
            "wh_per_day = 40",
            "wh_per_day = 40\nhours_per_day = 2",
            "plan.toml:15: load.lights: got hours_per_day and wh_per_day, expected "
            "exactly one of hours_per_day, duty and wh_per_day. Plan not loaded.",
        ),
        (
            "end = 2026-05-04",
            "end = 2026-04-04",
            "plan.toml:4: trip.end: got 2026-04-04T12:00:00+09:30, expected later than "
            "trip.start. Plan not loaded; 1 other problem below.",
        ),
        (
            "date = 2026-05-01",
            "date = 2027-05-01",
            "plan.toml:9: day[1].date: got 2027-05-01, expected a date of the trip, "
            "2026-05-01 to 2026-05-04. Plan not loaded.",
        ),
        (
            "opening_soc = 1.0",
            "opening_soc = 95",
            "plan.toml:5: trip.opening_soc: got 95, expected a share 0..1, e.g. 1.0. "
            "Plan not loaded.",
        ),
        (
            "start = 2026-05-01T08:00:00+09:30",
            "start = 2026-05-01T08:00:00",
            "plan.toml:3: trip.start: got 2026-05-01T08:00:00 without offset, expected "
            "an offset too, e.g. 2026-05-01T08:00:00+09:30. Plan not loaded.",
        ),
    ],
)
def test_faults(old, new, fault, tmp_path):
    with pytest.raises(FaultsError) as caught:
        plan(tmp_path, TEXT.replace(old, new))
    assert str(caught.value.faults[0]) == fault


@pytest.mark.parametrize(
    "path", sorted(ROOT.glob("config/*plan*.toml")), ids=lambda p: p.name
)
def test_every_shipped_plan_is_sound(path):
    assert read_plan(path).loads
