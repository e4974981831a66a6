"""The statement: adds up with a pencil, splits misses exactly, hides nothing."""

from datetime import UTC, date, datetime
from itertools import pairwise

import numpy as np
import pytest

from campledger.estimate.trip import estimate_trip
from campledger.judge.misses import Circumstances, load_miss
from campledger.judge.nights import nights_above_floor
from campledger.judge.statement import make_statement
from campledger.judge.statement_context import tenth
from campledger.model.estimates import Estimate, LoadUse
from campledger.model.plan import Plan, PlanDay, PlanLoad
from campledger.model.rig import House, Load, Rig, Source
from campledger.model.words import Word
from support.cases import make_record

START = datetime(2026, 3, 5, 21, 30, tzinfo=UTC).timestamp()
OFFSET = 10.5 * 3600


@pytest.fixture(scope="module")
def rig():
    return Rig(
        name="van",
        timezone="Australia/Adelaide",
        latitude=-34.3,
        longitude=135.7,
        house=House(chemistry="lfp", capacity_rated=100.0, floor=0.2),
        sources=(Source(name="solar", kind="solar", power_panel=160.0),),
        loads=(Load(name="fridge", kind="fridge", current_on=4.0),),
    )


@pytest.fixture(scope="module")
def record():
    t = START + np.arange(1, int(2.6 * 8640)) * 10.0
    hour = ((t + OFFSET) / 3600) % 24
    sun = np.clip(9 * np.sin(np.pi * (hour - 7) / 12), 0, None)
    fridge = np.where((t // 60) % 20 < 8, 4.2, 0.02)
    other = np.where((hour > 19) & (hour < 22), 1.0, 0.1)
    house = sun - fridge - other
    keep = ~((t > START + 100000) & (t < START + 104000))
    columns = {
        "voltage_house_v": 13.1 + 0.01 * house,
        "current_house_a": house,
        "current_solar_a": sun,
        "current_fridge_a": fridge,
        "temp_air_c": 25 + 5 * np.sin(np.pi * (hour - 9) / 12),
    }
    kept = {k: v[keep] for k, v in columns.items()}
    return make_record(t[keep], kept, utc_offset=OFFSET)


@pytest.fixture(scope="module")
def plan():
    days = tuple(
        PlanDay(date=date(2026, 3, d), sun_hours=5.0, temp_min=14.0, temp_max=26.0)
        for d in range(5, 10)
    )
    return Plan(
        name="p",
        start_utc=START,
        end_utc=START + 2.6 * 86400,
        utc_offset=OFFSET,
        opening_soc=1.0,
        every_day=None,
        days=days,
        loads=(
            PlanLoad(name="fridge", typed="hours", current_on=4.0, hours=8.0),
            PlanLoad(name="kettle", typed="energy", energy=50.0),
        ),
        fingerprint="f",
    )


@pytest.fixture(scope="module")
def statement(record, rig, plan):
    estimates = estimate_trip(record, rig)
    return make_statement(record, rig, estimates, plan=plan, plan_status="x")


def pencil(day):
    into = sum(a.charge_measured or 0 for a in day.sources)
    out = sum(a.charge_measured or 0 for a in day.loads) + (day.not_itemised or 0)
    return day.brought_forward + into - out - day.charging_loss - day.not_accounted


def test_every_day_adds_up_to_the_printed_digit(statement):
    for day in (*statement.days, statement.total):
        assert tenth(pencil(day)) == day.carried_forward


def test_days_join_without_a_step(statement):
    for a, b in pairwise(statement.days):
        assert a.carried_forward == b.brought_forward


def test_lines_are_whole_tenths(statement):
    for day in statement.days:
        for a in (*day.sources, *day.loads):
            for value in (a.charge_planned, a.charge_measured):
                assert value is None or value == tenth(value)


def test_the_measured_charge_is_that_of_the_channels(statement, record):
    total = record.minutes["current_solar_a"].charge.sum() / 3600
    printed = next(a for a in statement.total.sources if a.name == "solar")
    assert printed.charge_measured == pytest.approx(total, abs=0.05 * 4)  # 4 roundings


def test_hours_without_a_record_are_named(statement):
    noted = [n for day in statement.days for n in day.notes]
    assert any("not recorded" in n for n in noted)
    assert statement.total.coverage < 1.0


def test_planned_hours_are_pro_rata_of_the_part_day(statement):
    first = statement.days[0]
    share = (first.end_utc - START) / 86400
    planned = next(a for a in first.loads if a.name == "fridge").charge_planned
    assert planned == pytest.approx(32.0 * share, abs=0.25)  # dawn moves by a minute


def test_a_planned_load_that_was_not_measured_is_missing_not_nought(statement):
    line = next(a for a in statement.total.loads if a.name == "kettle")
    assert line.charge_measured is None
    assert line.word is Word.MISSING
    miss = next(m for m in statement.misses if m.name == "kettle")
    assert miss.cause == "not measured"


def test_misses_are_sorted_by_size_and_their_parts_add_up(statement):
    sizes = [abs(m.miss) for m in statement.misses if m.miss is not None]
    assert sizes[0] == max(sizes[:2])
    for m in statement.misses:
        if m.rate_part is not None:
            assert m.rate_part + m.hours_part == pytest.approx(m.miss, abs=1e-9)


def use_of(rate, hours, n=24 * 60):
    share = np.zeros(n)
    whole = round(hours * 60)
    share[:whole] = 1.0
    charge = share * rate / 60
    return LoadUse(
        name="fridge",
        word=Word.MEASURED,
        power=charge * 60 * 12.5,
        power_lo=charge * 0,
        power_hi=charge * 0,
        charge=charge,
        on_share=share,
        energy=Estimate(value=rate * hours * 12.5, lo=0.0, hi=0.0),
        current_running=rate,
        current_standing=0.0,
        starts=1,
    )


def test_rate_and_hours_of_the_worked_example(rig):
    # Source: worked example, derived: planned 4.5 A x 8 h = 36; measured 4.1 A x 11.5 h
    # = 47.2; +11.2 = -3.2 rate + 14.4 hours.
    around = Circumstances(
        temp_planned=25.0,
        temp_measured=31.0,
        censored_share=0.0,
        drive_planned=0.0,
        drive_measured=0.0,
        held_back_share=0.0,
    )
    line = PlanLoad(name="fridge", typed="hours", current_on=4.5, hours=8.0)
    use = use_of(4.1, 11.5)
    miss = load_miss("fridge", line, (36.0, 450.0), use, rig, around, 4.5)
    assert tenth(miss.measured) == 47.2
    assert tenth(miss.rate_part) == -3.2
    assert tenth(miss.hours_part) == 14.4
    assert miss.cause == "hotter"


def test_a_cut_out_is_never_thrift(rig):
    around = Circumstances(
        temp_planned=None,
        temp_measured=None,
        censored_share=0.2,
        drive_planned=0.0,
        drive_measured=0.0,
        held_back_share=0.0,
    )
    line = PlanLoad(name="fridge", typed="hours", current_on=4.0, hours=8.0)
    use = use_of(4.0, 5.0)
    miss = load_miss("fridge", line, (32.0, 400.0), use, rig, around, 4.0)
    assert miss.cause == "power was off"


@pytest.mark.parametrize(
    ("in_hand", "spent", "gained", "nights"),
    [(42.0, 30.0, 0.0, 1), (42.0, 50.0, 0.0, 0), (None, 1.0, 0.0, None)],
)
def test_nights_in_hand(in_hand, spent, gained, nights):
    # Source: arithmetic (42 A.h in hand, 30 a night: one).
    assert nights_above_floor(in_hand, spent, gained, 80.0) == nights


def test_no_minus_nought_is_printed():
    assert str(tenth(-0.04)) == "0.0"
