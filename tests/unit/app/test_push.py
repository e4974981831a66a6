"""What is pushed and how far: lines, cursors, boots; no client, no network."""

import numpy as np
import pytest

from campledger.app.pushing import (
    Cursor,
    Destination,
    batches,
    escape,
    redated,
    to_lines,
)
from campledger.model.rig import House, Rig
from campledger.store import Rows, Window, open_store

RIG = Rig(name="Van", timezone="UTC", house=House(chemistry="agm", capacity_rated=100))
T0 = 1_789_948_800.0
MINUTES = Destination(url="u", org="o", bucket="b")
READINGS = Destination(url="u", org="o", bucket="b", stream="readings")


def add(store, boot, start, stop):
    up = np.arange(start, stop)
    values = {"voltage_house_v": 12.0 + 0.001 * (up % 100)}
    rows = Rows(uptime=up, values=values, wall=T0 + up)
    store.append_window(Window(boot=boot.id, rows=(rows,), sampling="mean"))


@pytest.fixture
def store(tmp_path):
    with open_store(tmp_path / "s.db", "daemon", create=True) as opened:
        add(opened, opened.begin_boot("van", identity="a"), 1.0, 601.0)
        yield opened


def take(store, to, cursor, *, live=False):
    """Take all batches as a push does; gives the number of points."""
    points = 0
    boots = {b.id: b.start_utc - b.rate * b.uptime_first for b in store.boots()}
    for batch in batches(store, RIG, to, cursor, live=live):
        points += batch.points
        if batch.done is not None:
            cursor.boots[batch.done[0]] = (batch.done[1], boots[batch.done[0]])
    return points


# From the line protocol's document: commas, spaces and equals signs are escaped.
@pytest.mark.parametrize(
    ("text", "escaped"),
    [("a b", "a\\ b"), ("a,b", "a\\,b"), ("a=b", "a\\=b"), ("a\nb", "a\\ b")],
)
def test_names_are_escaped(text, escaped):
    assert escape(text) == escaped


def test_lines_leave_missing_values_and_empty_rows_out():
    table = {"a": np.array([1.0, np.nan, np.nan]), "b": np.array([0.5, 2.0, np.nan])}
    (batch,) = to_lines("m,rig=x ", np.array([1.0, 2.0, 3.0]), table)
    assert batch.lines == b"m,rig=x a=1.0,b=0.5 1000\nm,rig=x b=2.0 2000"
    assert batch.points == 3
    assert batch.counts == {"a": 1, "b": 2}


def test_a_percent_sign_in_a_name_is_no_pattern():
    (batch,) = to_lines("m,rig=50% ", np.array([1.0]), {"a%d": np.array([1.5])})
    assert batch.lines == b"m,rig=50% a%d=1.5 1000"


def test_a_cursor_goes_on_where_it_stopped(store):
    cursor = Cursor()
    assert take(store, READINGS, cursor) == 600
    assert take(store, READINGS, cursor) == 0
    add(store, store.begin_boot("van", identity="a"), 601.0, 661.0)
    assert take(store, READINGS, cursor) == 60


def test_the_minute_that_runs_waits_and_that_of_a_finished_boot_goes(store):
    cursor = Cursor()
    add(store, store.begin_boot("van", identity="a"), 601.0, 631.0)
    assert take(store, MINUTES, cursor, live=True) == 10
    assert take(store, MINUTES, cursor, live=False) == 1


def test_two_destinations_have_cursors_of_their_own(store, tmp_path):
    cursor = Cursor()
    take(store, MINUTES, cursor)
    cursor.save(tmp_path / "s.db", MINUTES)
    assert Cursor.load(store, MINUTES).boots == cursor.boots
    assert Cursor.load(store, READINGS).boots == {}


def test_a_spoilt_cursor_starts_again(store, tmp_path):
    store.set_meta(MINUTES.key, "[nonsense")
    assert Cursor.load(store, MINUTES).boots == {}


def test_an_undated_boot_waits_and_a_boot_dated_anew_is_told(tmp_path):
    with open_store(tmp_path / "u.db", "daemon", create=True) as store:
        boot = store.begin_boot("van", identity="a")
        up = np.arange(1.0, 601.0)
        rows = Rows(uptime=up, values={"voltage_house_v": up}, wall=946684800.0 + up)
        store.append_window(Window(boot=boot.id, rows=(rows,)))
        cursor = Cursor()
        assert take(store, READINGS, cursor) == 0
        store.add_anchor(boot.id, uptime=1.0, time_utc=T0, kind="phone", bound=2.0)
        assert take(store, READINGS, cursor) == 600
        assert redated(store, cursor) == []
        store.add_anchor(boot.id, uptime=9.0, time_utc=T0 + 90, kind="typed", bound=9.0)
        ((moved, by),) = redated(store, cursor)
        assert (moved.id, by) == (boot.id, pytest.approx(82.0))
