"""A damaged recording costs its damaged lines and no other, or is refused whole."""

import random

import pytest

from campledger.errors import InputError
from campledger.formats.recording import read_recording
from support.mutations import mutate, native_file


def loaded_rows(path):
    """Give every row loaded as the text a native line would have."""
    rows = set()
    recording = read_recording(path)
    if recording is None:
        return None, None
    with recording:
        for chunk in recording:
            for k in range(len(chunk.lines)):
                rows.add(
                    (
                        float(chunk.time_utc[k]),
                        *(float(v[k]) for v in chunk.values.values()),
                    )
                )
    return rows, recording.summary


def row_of(line):
    time, *values = line.decode().split(",")
    minute, second = int(time[14:16]), int(time[17:19])
    start = 1777622400.0  # 2026-05-01T08:00:00Z
    return (start + 60 * minute + second, *map(float, values))


def try_one(seed, folder):
    rng = random.Random(seed)
    data, good, done = mutate(native_file(rng), rng)
    path = folder / f"m{seed}.csv"
    path.write_bytes(data)
    refused, rows, summary = False, None, None
    try:
        rows, summary = loaded_rows(path)
    except InputError:
        refused = True
    if refused:
        assert "header" in done, (seed, done)
        return
    if rows is None:
        assert "header" in done, (seed, done)
        return
    assert path.read_bytes() == data
    lost = [g for g in good if row_of(g) not in rows]
    if "header" in done and lost:
        names = data.split(b"\n", 1)[0]
        assert (
            names.count(b",") != 3
            or b"current_house_a" not in names
            or len(summary.unused)
        ), (seed, done, lost[:2])
        return
    assert not lost, (seed, done, lost[:2])
    assert len(summary.sentence().splitlines()) == 1
    for fault in summary.faults():
        assert len(str(fault).splitlines()) == 1


@pytest.mark.parametrize("first", range(0, 100, 20))
def test_a_damaged_file_costs_its_damaged_lines_only(first, tmp_path):
    for seed in range(first, first + 20):
        try_one(seed, tmp_path)


@pytest.mark.slow
def test_five_hundred_damaged_files(tmp_path):
    for seed in range(1000, 1500):
        try_one(seed, tmp_path)
