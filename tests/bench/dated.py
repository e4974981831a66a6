"""What stands at the head of every dated table."""

import subprocess
from pathlib import Path


def commit():
    """Name the commit that is measured, empty outside a checkout."""
    done = subprocess.run(
        ["git", "rev-parse", "--short", "HEAD"],
        cwd=Path(__file__).parent,
        capture_output=True,
        text=True,
        check=False,
    )
    return done.stdout.strip()
