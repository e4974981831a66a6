import importlib.util
from pathlib import Path

import pytest

PATH = Path(__file__).parents[2] / "bench" / "bench_kill.py"


def load():
    spec = importlib.util.spec_from_file_location("bench_kill", PATH)
    module = importlib.util.module_from_spec(spec)
    spec.loader.exec_module(module)
    return module


@pytest.mark.slow
def test_twenty_kills_lose_nothing_acknowledged():
    kills, rows, bad = load().run(20, seed=7)
    assert bad == []
    assert rows > kills
