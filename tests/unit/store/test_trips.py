from store_cases import T0, chunk
from test_documents import freeze

from campledger.store import Columns
from campledger.store.trips import join, subtract

DAY = 86400.0


def shifted(days):
    part = chunk(0, 3600)
    return Columns(time_utc=part.time_utc + days * DAY, values=part.values)


def test_a_hole_of_more_than_three_days_ends_a_trip(store):
    """job.md X17: two trips with storage between them."""
    for day in (0, 1, 3.9, 8, 8.5):
        store.import_rows("van", shifted(day))
    one, two = store.trips()
    assert (one.start_utc, one.end_utc) == (T0, T0 + 3.9 * DAY + 3599)
    assert two.start_utc == T0 + 8 * DAY


def test_a_frozen_plan_bounds_its_trip(store):
    for day in (0, 1, 2, 3):
        store.import_rows("van", shifted(day))
    freeze(store, start=T0 + 0.5 * DAY, end=T0 + 2.5 * DAY)
    first, plan, last = store.trips()
    assert (plan.name, plan.plan) == ("gorge", "f1")
    assert (plan.start_utc, plan.end_utc) == (T0 + 0.5 * DAY, T0 + 2.5 * DAY)
    assert plan.last_reading_utc == T0 + 2 * DAY + 3599
    assert first.end_utc <= plan.start_utc
    assert last.start_utc >= plan.end_utc


def test_idle_spans_of_three_days_end_a_trip(store):
    for hour in range(0, 240, 12):
        store.import_rows("van", shifted(hour / 24))
    idle = lambda a, b: [(a + DAY, a + 5 * DAY), (a + 6 * DAY, a + 7 * DAY)]  # noqa: E731
    spans = [(t.start_utc, t.end_utc) for t in store.trips(idle=idle)]
    assert spans[0] == (T0, T0 + DAY)
    assert spans[1][0] == T0 + 5 * DAY
    assert len(spans) == 2


def test_joining_and_taking_out():
    assert join([(5, 6), (0, 2), (1, 3)], 1) == [(0, 3), (5, 6)]
    assert subtract([(0, 10)], [(2, 3), (9, 12)]) == [(0, 2), (3, 9)]
