"""Native recordings: what loads, what is kept as missing, what is set aside."""

import gzip

import numpy as np
import pyarrow as pa
import pyarrow.parquet as pq
import pytest

from campledger.errors import InputError
from campledger.formats import recording as rec
from campledger.formats.recording import read_recording

HEAD = "time_utc,voltage_house_v,current_house_a\n"
T0 = 1777593600.0  # 2026-05-01T00:00:00Z


def rows(count, start=0):
    return "".join(
        f"2026-05-01T00:{k // 60:02d}:{k % 60:02d}Z,12.{k:03d},-{k}.5\n"
        for k in range(start, start + count)
    )


def read(path, text, **options):
    if isinstance(text, str):
        path.write_text(text)
    else:
        path.write_bytes(text)
    recording = read_recording(path, **options)
    assert recording is not None
    with recording:
        chunks = list(recording)
    return chunks, recording.summary


def lines_of(summary):
    return [str(f) for f in summary.faults()]


def test_a_clean_file_loads_as_it_stands(tmp_path):
    chunks, summary = read(tmp_path / "t.csv", HEAD + rows(100))
    assert chunks[0].time_utc[0] == T0
    assert chunks[0].values["voltage_house_v"][99] == 12.099
    assert chunks[0].text(3) == b"2026-05-01T00:00:03Z,12.003,-3.5"
    assert summary.sentence() == "100 rows loaded."
    assert not (tmp_path / "t.csv.rejected").exists()


def test_times_are_exact_to_the_microsecond(tmp_path):
    stamps = ["2026-05-01T09:30:00.123456+09:30", "2026-05-01T00:00:01.1Z"]
    stamps += ["2026-05-01 00:00:02.000001Z", "2026-05-01T00:00:03,5Z"]
    text = HEAD + "".join(f"{s},12,1\n" for s in stamps[:3])
    chunks, _ = read(tmp_path / "t.csv", text)
    micros = np.round((chunks[0].time_utc - T0) * 1e6)
    assert micros.tolist() == [123456, 1100000, 2000001]


def test_gzip_utf16_and_old_line_ends_give_the_same(tmp_path):
    text = HEAD + rows(50)
    plain, _ = read(tmp_path / "t.csv", text)
    forms = {
        "t.csv.gz": gzip.compress(text.encode()),
        "u.csv": text.encode("utf-16"),
        "b.csv": text.encode("utf-8-sig"),
        "m.csv": text.replace("\n", "\r").encode(),
        "w.csv": text.replace("\n", "\r\n").encode(),
    }
    for name, data in forms.items():
        chunks, summary = read(tmp_path / name, data)
        np.testing.assert_array_equal(chunks[0].time_utc, plain[0].time_utc)
        np.testing.assert_array_equal(
            chunks[0].values["voltage_house_v"], plain[0].values["voltage_house_v"]
        )
        assert (tmp_path / name).read_bytes() == data
        if name == "u.csv":
            assert lines_of(summary) == [
                "u.csv:1: encoding: got UTF-16, read as UTF-16. 50 rows loaded."
            ]


def test_boot_and_uptime_rule_and_the_clock_may_be_silent(tmp_path):
    text = (
        "boot,uptime_s,time_utc,voltage_house_v\n"
        "7,1.5,,12.5\n7,2.5,2000-01-01T00:00:02Z,12.6\n8,0.5,,12.7\n"
    )
    (chunk,), summary = read(tmp_path / "t.csv", text)
    assert chunk.boot.tolist() == [7, 7, 8]
    assert chunk.uptime.tolist() == [1.5, 2.5, 0.5]
    assert np.isnan(chunk.time_utc[[0, 2]]).all()
    assert summary.rows == 3


@pytest.mark.parametrize(
    ("bad", "line"),
    [
        (
            "2026-05-01T00:01:00Z,---,1",
            't.csv:12: volts: got "---", expected a number. Kept as missing.',
        ),
        (
            "2026-05-01T00:01:00Z,655.35,1",
            "t.csv:12: volts: got 655.35, expected 0-80. Kept as missing.",
        ),
        (
            '2026-05-01T00:01:00Z,"12,61",1',
            't.csv:12: volts: got "12,61" in a file using points, expected one style. '
            "Set aside; 20 rows loaded.",
        ),
        (
            '2026-05-01T00:01:00Z,12.6,"1.234,5"',
            't.csv:12: current: got "1.234,5", ambiguous, expected one decimal mark. '
            "Set aside; 20 rows loaded.",
        ),
        (
            "\0" * 812,
            "t.csv:12: row: got 812 zero bytes, expected a row. Set aside; 20 rows "
            "loaded.",
        ),
        (
            "time_utc,voltage_house_v,current_house_a",
            "t.csv:12: row: got the header again, expected a row. Set aside; 20 rows "
            "loaded.",
        ),
        (
            "2026-04-30T23:00:00Z,12.5,1",
            "t.csv:12: time: got 23:00:00 after 00:00:09, expected later (clock "
            "change?). New stretch begun; nothing dropped.",
        ),
    ],
    ids=["text", "impossible", "style", "thousands", "zeros", "header", "backwards"],
)
def test_the_lines_of_job_e5(bad, line, tmp_path):
    text = HEAD + rows(10) + bad + "\n" + rows(10, 10)
    chunks, summary = read(tmp_path / "t.csv", text)
    assert line in lines_of(summary)
    assert sum(len(c.lines) for c in chunks) >= 20
    rejected = tmp_path / "t.csv.rejected"
    if "Set aside" in line:
        assert rejected.read_bytes().split(b"\n")[1] == bad.encode()
    else:
        assert not rejected.exists()


def test_a_cut_last_line_is_set_aside(tmp_path):
    _, summary = read(tmp_path / "t.csv", HEAD + rows(10) + "2026-05-01T0")
    assert summary.sentence() == (
        "10 rows loaded; 1 lines set aside (12: cut short) in t.csv.rejected."
    )


@pytest.mark.parametrize(
    ("data", "line"),
    [
        (
            b"",
            "t.csv: file: got 0 bytes, expected a header line. Nothing loaded; file "
            "untouched.",
        ),
        (
            b"\x89PNG\r\n\x1a\n" + bytes(range(64)),
            "t.csv:1: header: got binary data, expected text columns. Nothing loaded.",
        ),
        (
            b"time_utc,temp_air_c\n2026-05-01T00:00:00Z,20\n",
            "t.csv:1: voltage: got columns time_utc, temp_air_c, expected one for "
            "battery volts. Name it with --set voltage=NAME. Nothing loaded.",
        ),
        (b"PAR1 but not really PAR1", "t.csv: file: got damaged Parquet"),
        (b"\x1f\x8b\x08 nothing", "t.csv: file: got damaged gzip data"),
    ],
    ids=["empty", "binary", "no volts", "parquet", "gzip"],
)
def test_what_is_refused_whole(data, line, tmp_path):
    path = tmp_path / "t.csv"
    path.write_bytes(data)
    with pytest.raises(InputError) as caught:
        read_recording(path)
    assert str(caught.value).startswith(line)


def test_a_foreign_header_is_left_to_a_map(tmp_path):
    path = tmp_path / "t.csv"
    path.write_text("Zeit;U [V]\n2026-05-01 00:00:00;12,5\n")
    assert read_recording(path) is None


def test_a_file_without_current_loads_with_a_warning(tmp_path):
    text = "time_utc,voltage_house_v\n2026-05-01T00:00:00Z,12.5\n"
    _, summary = read(tmp_path / "t.csv", text)
    assert lines_of(summary) == [
        "t.csv:1: current: got no such column, expected one for battery current. "
        "Loaded without it, no amp-hours possible."
    ]


def test_parquet_gives_what_csv_gives(tmp_path):
    text = HEAD + rows(100)
    (plain,), _ = read(tmp_path / "t.csv", text)
    micros = np.round(plain.time_utc * 1e6).astype(np.int64)
    table = pa.table(
        {
            "time_utc": pa.array(micros).cast(pa.timestamp("us", "UTC")),
            **{n: pa.array(v) for n, v in plain.values.items()},
        }
    )
    path = tmp_path / "t.parquet"
    pq.write_table(table, path)
    with read_recording(path) as recording:
        (chunk,) = list(recording)
    np.testing.assert_array_equal(chunk.time_utc, plain.time_utc)
    for name, value in plain.values.items():
        np.testing.assert_array_equal(chunk.values[name], value)


def test_blocks_and_chunks_join_without_a_seam(tmp_path, monkeypatch):
    text = HEAD + rows(3000)
    (whole,), _ = read(tmp_path / "a.csv", text)
    monkeypatch.setattr("campledger.formats.textsource.BLOCK", 1000)
    monkeypatch.setattr(rec, "ROWS_AT_ONCE", 500)
    chunks, _ = read(tmp_path / "b.csv", text)
    np.testing.assert_array_equal(
        np.concatenate([c.time_utc for c in chunks]), whole.time_utc
    )
    assert np.concatenate([c.lines for c in chunks]).tolist() == list(range(2, 3002))


def test_rows_the_store_refuses_go_beside_with_their_line(tmp_path):
    path = tmp_path / "t.csv"
    path.write_text(HEAD + rows(5))
    recording = read_recording(path)
    with recording:
        for chunk in recording:
            recording.reject_rows(chunk, np.array([2]))
    assert recording.summary.rows == 4
    assert lines_of(recording.summary) == [
        "t.csv:4: time: got 00:00:02 twice, expected once. First kept, second in "
        ".rejected."
    ]
    assert b"2026-05-01T00:00:02Z" in (tmp_path / "t.csv.rejected").read_bytes()
