"""
A real time-series server for tests: Debian's victoria-metrics, started and ended here.

It takes the InfluxDB v2 write path and answers what it holds under its own. It cannot
answer Flux; points sent twice are kept once because of its de-duplication switch. It is
ended by SIGTERM, since what it acknowledged in the last seconds is in its memory only.
"""

from __future__ import annotations

import json
import shutil
import signal
import socket
import subprocess
import time
import urllib.error
import urllib.request
from typing import TYPE_CHECKING

import numpy as np

if TYPE_CHECKING:
    from pathlib import Path

PROGRAM = "victoria-metrics"


def installed() -> bool:
    """Tell whether the server is there."""
    return shutil.which(PROGRAM) is not None


def free_port() -> int:
    """Find a port that nobody uses."""
    with socket.socket() as found:
        found.bind(("127.0.0.1", 0))
        return int(found.getsockname()[1])


class SeriesServer:
    """Start, end, start again; the data stay."""

    def __init__(self, folder: Path) -> None:
        self.folder = folder
        self.port = free_port()
        self.url = f"http://127.0.0.1:{self.port}"
        self.process: subprocess.Popen | None = None

    def start(self) -> None:
        """Start it and wait until it answers."""
        self.process = subprocess.Popen(
            [
                PROGRAM,
                f"-httpListenAddr=127.0.0.1:{self.port}",
                f"-storageDataPath={self.folder}",
                "-retentionPeriod=10y",
                "-dedup.minScrapeInterval=1ms",
            ],
            stdout=subprocess.DEVNULL,
            stderr=subprocess.DEVNULL,
        )
        end = time.monotonic() + 20.0
        while time.monotonic() < end:
            try:
                self.ask("/health")
            except (urllib.error.URLError, OSError):
                time.sleep(0.02)
            else:
                return
        msg = "starting the server: no answer in 20 s"
        raise RuntimeError(msg)

    def end(self) -> None:
        """End it."""
        if self.process is not None:
            self.process.send_signal(signal.SIGTERM)
            self.process.wait()
            self.process = None

    def ask(self, path: str) -> bytes:
        """Read from it."""
        where = f"{self.url}{path}"
        with urllib.request.urlopen(where, timeout=60.0) as answer:  # noqa: S310
            return answer.read()

    def held(
        self, name: str, start: float, end: float
    ) -> tuple[np.ndarray, np.ndarray]:
        """Give times and values that it holds of a series."""
        self.ask("/internal/force_flush")
        query = f"/api/v1/export?match[]={name}&start={start:.0f}&end={end:.0f}"
        times, values = [], []
        for line in self.ask(query).splitlines():
            found = json.loads(line)
            times += found["timestamps"]
            values += found["values"]
        order = np.argsort(times, kind="stable")
        return np.array(times, float)[order] / 1000.0, np.array(values, float)[order]
