"""Rebuild the two small tables from an installed ampworks (pip install ampworks)."""

import csv
from importlib import resources
from pathlib import Path

HERE = Path(__file__).parent


def main() -> None:
    root = resources.files("ampworks") / "datasets" / "resources"
    with (root / "dqdv" / "cell1_rough.csv").open() as source:
        rows = list(csv.DictReader(source))
    write("charge_rough.csv", rows, ("Seconds", "Amps", "Volts", "Ah"))
    with (root / "hppc" / "hppc_discharge.csv").open() as source:
        rows = [
            r for r in csv.DictReader(source) if 8250 <= float(r["Seconds"]) <= 8300
        ]
    write("load_step.csv", rows, ("Seconds", "Amps", "Volts"))


def write(name, rows, keys) -> None:
    with (HERE / name).open("w") as out:
        out.write(",".join(k.lower() for k in keys) + "\n")
        for row in rows:
            out.write(",".join(row[k] for k in keys) + "\n")


if __name__ == "__main__":
    main()
