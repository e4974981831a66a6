"""Exports, read back by readers that did not write them."""

import csv

import duckdb
import numpy as np
import pandas as pd
import polars as pl
import pyarrow.parquet as pq
import pytest

from campledger.errors import InputError
from campledger.formats.export import safe_text, write_series, write_table

TIMES = 1777593600.0 + np.array([0.0, 60.0, 120.000001])
SERIES = {
    "voltage_house_v": np.array([12.345678901234567, np.nan, 13.0]),
    "soc_house": np.array([0.1, 0.2, np.nan]),
}


def test_csv_is_read_back_to_the_last_bit(tmp_path):
    path = tmp_path / "out.csv"
    assert write_series(path, TIMES, SERIES) == 3
    with path.open(newline="") as file:
        rows = list(csv.DictReader(file))
    assert rows[1] == {
        "time_utc": "2026-05-01T00:01:00Z",
        "voltage_house_v": "",
        "soc_house": "0.2",
    }
    assert rows[2]["time_utc"] == "2026-05-01T00:02:00.000001Z"
    frame = pd.read_csv(path)
    for name, value in SERIES.items():
        np.testing.assert_array_equal(frame[name], value)


def test_parquet_is_typed_carries_units_and_is_read_by_three_engines(tmp_path):
    path = tmp_path / "out.parquet"
    write_series(path, TIMES, SERIES, about={"rig": "Demo van"})
    schema = pq.read_schema(path)
    assert (
        schema.field("voltage_house_v").metadata
        == {
            b"unit": b"V",
            b"PARQUET:field_id": b"2",
        }
        or schema.field("voltage_house_v").metadata[b"unit"] == b"V"
    )
    assert schema.field("soc_house").metadata[b"unit"] == b"1"
    assert schema.metadata[b"rig"] == b"Demo van"
    frame = pl.read_parquet(path)
    assert frame["voltage_house_v"].to_list() == [12.345678901234567, None, 13.0]
    micros = frame["time_utc"].dt.timestamp("us").to_list()
    assert micros == np.round(TIMES * 1e6).astype(int).tolist()
    relation = duckdb.read_parquet(str(path))
    counted = relation.aggregate("count(soc_house), max(epoch_us(time_utc))")
    assert counted.fetchall() == [(2, 1777593720000001)]


def test_line_protocol_leaves_missing_out(tmp_path):
    path = tmp_path / "out.lp"
    write_series(path, TIMES, SERIES, about={"rig": "Demo van, 2"})
    assert path.read_text().splitlines() == [
        "campledger,rig=Demo\\ van\\,\\ 2 voltage_house_v=12.345678901234567,"
        "soc_house=0.1 1777593600000000000",
        "campledger,rig=Demo\\ van\\,\\ 2 soc_house=0.2 1777593660000000000",
        "campledger,rig=Demo\\ van\\,\\ 2 voltage_house_v=13.0 1777593720000001000",
    ]


@pytest.mark.parametrize("text", ["=1+1", "+1", "-1", "@x", "\tx"])
def test_text_that_a_sheet_would_run_is_quoted(text, tmp_path):
    assert safe_text(text) == "\"'" + text + '"'
    path = tmp_path / "t.csv"
    write_table(path, ["name", "value"], [[text, -1.5]])
    with path.open(newline="") as file:
        assert list(csv.reader(file))[1] == ["'" + text, "-1.5"]


def test_another_ending_is_refused(tmp_path):
    with pytest.raises(InputError, match=r'"\.xls", expected \.csv, \.parquet or \.lp'):
        write_series(tmp_path / "out.xls", TIMES, SERIES)
