"""The house rules that are tests: layers, heavy imports, words of the glossary."""

import subprocess
import sys

import pytest

LIGHT = "import sys; import {module}; print(sorted(set(sys.modules) & {{{banned}}}))"


@pytest.mark.parametrize(
    ("module", "banned"),
    [
        ("campledger.app.daemon", "'bokeh','pandas','influxdb_client','pyarrow'"),
        ("campledger.app.cli", "'bokeh','pandas','influxdb_client','numpy','pyarrow'"),
        ("campledger.app.context", "'bokeh','pandas','influxdb_client'"),
        ("campledger.estimate.trip", "'sqlite3','bokeh','pandas','scipy','pvlib'"),
    ],
)
def test_light_modules_load_nothing_heavy(module, banned):
    code = LIGHT.format(module=module, banned=banned)
    done = subprocess.run(
        [sys.executable, "-c", code], capture_output=True, text=True, check=True
    )
    assert done.stdout.strip() == "[]"


def test_layers_hold():
    done = subprocess.run(
        ["lint-imports", "--no-cache"], capture_output=True, text=True, check=False
    )
    assert done.returncode == 0, done.stdout[-2000:]
