import numpy as np
import pytest
from store_cases import T0, boot_chunk, chunk, log_windows, readings


def test_channels_load_when_asked_for_and_are_named_without_loading(store):
    store.import_rows("van", chunk())
    record = store.record(T0, T0 + 7200)
    assert list(record.channels) == ["current_house_a", "voltage_house_v"]
    assert "temp_air_c" not in record.channels
    assert record.channels.get("temp_air_c") is None
    assert record.minutes.get("temp_air_c") is None
    with pytest.raises(KeyError):
        record.channels["temp_air_c"]
    assert len(record.channels) == len(record.minutes) == 2
    assert record.minutes["voltage_house_v"] is record.minutes["voltage_house_v"]


def test_a_span_has_both_ends(store):
    store.import_rows("van", chunk())
    series = store.record(T0 + 10, T0 + 20).channels["voltage_house_v"]
    assert series.time_utc.tolist() == (T0 + np.arange(10.0, 21.0)).tolist()


def test_recorders_are_merged_in_time_order(store):
    store.import_rows("one", chunk(0, 100))
    store.import_rows("two", chunk(50, 200))
    series = store.record(T0, T0 + 500).channels["voltage_house_v"]
    assert np.array_equal(series.value, readings()["voltage_house_v"][:200])


def test_undated_readings_are_in_no_day_but_in_the_totals(store):
    store.import_rows("van", boot_chunk(0, 600, lag=None))
    assert len(store.record(T0 - 1e6, T0 + 1e6).channels) == 0
    (boot,) = store.boots()
    assert store.boot_totals(boot.id)["voltage_house_v"].covered == 599.0
    assert store.trips() == ()
    assert store.span() is None


def test_the_record_names_its_boots_notes_and_counters(store):
    boot = store.begin_boot("van", identity="a")
    log_windows(store, boot.id, 0, 60)
    store.add_entry("note", T0 + 30, {"text": "moved the panel"})
    store.count("current_fridge_a", {"clipped": 2})
    record = store.record(T0, T0 + 60, utc_offset=34200.0)
    assert record.boots[0].dated_by == "clock"
    assert record.notes == ((T0 + 30, "moved the panel"),)
    assert record.counters["current_fridge_a"]["clipped"] == 2
    assert record.utc_offset == 34200.0
