"""
The process that takes a foreign store apart: ``SOURCE TARGET MEMORY``.

It has a bounded address space, writes one new store and prints the number of rows; a
block made to fill the memory ends this process and nothing else.
"""

from __future__ import annotations

import math
import resource
import sys
from pathlib import Path

from campledger.errors import CampledgerError
from campledger.store.extract import Wanted, documents_of, extract, open_foreign

KINDS = ("plan", "proof", "event", "note")


def main(words: list[str]) -> int:
    """Copy; 0 done, 2 refused."""
    source, target, memory = Path(words[0]), Path(words[1]), int(words[2])
    resource.setrlimit(resource.RLIMIT_AS, (memory, memory))
    resource.setrlimit(resource.RLIMIT_CORE, (0, 0))
    try:
        file = open_foreign(source)
        try:
            documents = tuple(
                (e.kind, e.time_utc, e.key, e.body) for e in documents_of(file, KINDS)
            )
            done = extract(
                file,
                target,
                Wanted(start=-math.inf, end=math.inf, documents=documents),
            )
        finally:
            file.close()
    except CampledgerError as error:
        sys.stderr.write(f"{error}\n")
        return 2
    sys.stdout.write(f"{done.rows}\n")
    return 0


if __name__ == "__main__":
    sys.exit(main(sys.argv[1:]))
