"""A small store made through the command line itself: two days of the demo trip."""

import csv
import gzip
from pathlib import Path

import pytest

from campledger.app.cli import main

TOP = Path(__file__).resolve().parents[3]
RIG = TOP / "config" / "demo_rig.toml"
PLAN = TOP / "config" / "demo_plan.toml"
ROWS = 17280
STEP = 3


@pytest.fixture(scope="session")
def recording(tmp_path_factory):
    """Every third row of the demo trip's first three days (15 s)."""
    path = tmp_path_factory.mktemp("rec") / "days.csv"
    source = TOP / "replay_data" / "demo_trip.csv.gz"
    with gzip.open(source, "rt", newline="") as file, path.open("w") as out:
        rows = csv.reader(file)
        out.write(",".join(next(rows)) + "\n")
        for k, row in enumerate(rows):
            if k >= ROWS * STEP:
                break
            if k % STEP == 0:
                out.write(",".join(row) + "\n")
    return path


@pytest.fixture(scope="session")
def where(recording, tmp_path_factory):
    """Options that name rig and store, with the recording imported."""
    store = tmp_path_factory.mktemp("store") / "t.db"
    options = ["--rig", str(RIG), "--store", str(store)]
    assert main(["import", str(recording), *options]) == 0
    return options


@pytest.fixture
def run(capsys):
    """Run a command; give exit code, stdout and stderr."""

    def call(*words):
        code = main([str(w) for w in words])
        said = capsys.readouterr()
        return code, said.out, said.err

    return call
