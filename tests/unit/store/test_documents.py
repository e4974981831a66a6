import math

import pytest
from store_cases import T0, chunk

from campledger.errors import StoreError


def freeze(store, name="gorge", *, start=T0, end=T0 + 9e4, at=T0 - 10, mark="f1"):
    return store.freeze_plan(
        text="[trip]",
        fingerprint=mark,
        name=name,
        start_utc=start,
        end_utc=end,
        frozen_utc=at,
    )


def test_a_plan_is_frozen_once_and_revised_later(store):
    assert freeze(store).revision == 1
    assert freeze(store).id == freeze(store).id
    later = freeze(store, mark="f2", at=T0 + 5)
    assert (later.revision, later.late) == (2, True)
    assert [p.fingerprint for p in store.plans()] == ["f1", "f2"]


def test_overlapping_plans_are_refused(store):
    freeze(store)
    with pytest.raises(StoreError, match='overlaps the frozen plan "gorge"'):
        freeze(store, "coast", mark="f3", start=T0 + 100)
    assert freeze(store, "coast", mark="f4", start=T0 + 9e4, end=T0 + 2e5).revision == 1


def test_a_freeze_after_readings_of_its_days_is_late(store):
    store.import_rows("van", chunk())
    assert freeze(store, at=T0 - 10).late


def test_entries_come_in_time_order(store):
    store.add_entry("proof", T0 + 5, {"volts": 12.81}, key="voltage_house_v")
    store.add_entry("proof", T0, {"volts": 12.5}, key="voltage_start_v")
    store.add_entry("event", math.nan, {"text": "boot"})
    assert [e.key for e in store.entries("proof")] == [
        "voltage_start_v",
        "voltage_house_v",
    ]
    assert store.entries("proof", key="voltage_house_v")[0].body["volts"] == 12.81
    assert math.isnan(store.entries("event")[0].time_utc)


def test_counters_add_up(store):
    store.count("ina226 0x40", {"bad_words": 1})
    store.count("ina226 0x40", {"bad_words": 2, "bus_errors": 1})
    assert store.counters() == {"ina226 0x40": {"bad_words": 3, "bus_errors": 1}}


def test_a_kept_result_never_knows_the_future(store):
    store.keep("soc", fingerprint="r1", last_utc=T0 + 100, blob=b"a")
    store.keep("soc", fingerprint="r1", last_utc=T0 + 200, blob=b"b")
    assert store.kept("soc", fingerprint="r1").blob == b"b"
    assert store.kept("soc", fingerprint="r1", at=T0 + 150).blob == b"a"
    assert store.kept("soc", fingerprint="r1", at=T0 + 50) is None
    assert store.kept("soc", fingerprint="r2") is None


def test_a_kept_result_falls_when_what_it_used_changes(store):
    store.import_rows("van", chunk(0, 100))
    store.keep("soc", fingerprint="r1", last_utc=T0 + 99, blob=b"a")
    assert store.kept("soc", fingerprint="r1") is not None
    store.import_rows("van", chunk(200, 300))
    assert store.kept("soc", fingerprint="r1") is not None
    store.import_rows("other", chunk(50, 60))
    assert store.kept("soc", fingerprint="r1") is None


def test_meta_and_state(store):
    assert store.meta("pushed") is None
    store.set_meta("pushed", "12")
    assert store.meta("pushed") == "12"
    store.save_state("live", b"x", time_utc=T0)
    assert store.state("live") == b"x"
    assert store.state("none") is None
