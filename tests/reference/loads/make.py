"""Rebuild acsf1_train_34.csv from an installed aeon 1.6.0."""

from importlib.resources import files
from pathlib import Path

import numpy as np


def main() -> None:
    path = files("aeon") / "datasets" / "data" / "ACSF1" / "ACSF1_TRAIN.ts"
    rows = [x for x in path.read_text().splitlines() if x and x[0] not in "@#"]
    values = np.array(rows[34].rsplit(":", 1)[0].split(","), dtype=float).reshape(-1, 4)
    np.savetxt(
        Path(__file__).with_name("acsf1_train_34.csv"),
        values,
        fmt="%.6g",
        delimiter=",",
        header="phase,power,voltage,current",
        comments="",
    )


if __name__ == "__main__":
    main()
