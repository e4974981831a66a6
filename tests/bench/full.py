"""
Run the asked counts of one figure and write its dated table.

    python tests/bench/full.py            # the names
    python tests/bench/full.py NAME ...   # one bench, with its own options

Every bench is a module ``bench_NAME.py`` here with ``main(argv)``; ``--write`` puts its
table into ``results/``.
"""

import importlib
import sys
from pathlib import Path

HERE = Path(__file__).parent


def names():
    """Name the benches that exist."""
    return sorted(p.stem.removeprefix("bench_") for p in HERE.glob("bench_*.py"))


def main(argv):
    """Dispatch to one bench."""
    if not argv or argv[0] not in names():
        print("benches:", " ".join(names()))
        return 0 if not argv else 2
    sys.path[:0] = [str(HERE), str(HERE.parent)]
    module = importlib.import_module(f"bench_{argv[0]}")
    return module.main(argv[1:]) or 0


if __name__ == "__main__":
    sys.exit(main(sys.argv[1:]))
