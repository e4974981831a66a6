"""The units, scripts and rules that put the daemon on a board."""

import shutil
import subprocess
from pathlib import Path

import pytest

DEPLOY = Path(__file__).parents[3] / "deploy"
UNITS = sorted((DEPLOY / "systemd").glob("*.service"))
EXPOSURE = 25
"""Highest exposure that the analyser may print, in tenths; its scale runs to 100. What
is left open is the buses, and the network for Modbus and push."""


@pytest.fixture
def unit(request, tmp_path):
    """Give a unit whose program and document exist here, as they do on a board."""
    text = request.param.read_text()
    text = text.replace("/opt/campledger/venv/bin/campledger", "/bin/true")
    text = text.replace("file:///opt/campledger/app/README.md", "man:systemd(1)")
    path = tmp_path / request.param.name
    path.write_text(text)
    return path


def test_there_are_two_units():
    assert [u.name for u in UNITS] == ["campledger-page.service", "campledger.service"]


@pytest.mark.skipif(
    shutil.which("systemd-analyze") is None, reason="needs systemd-analyze"
)
@pytest.mark.parametrize("unit", UNITS, indirect=True)
def test_the_analyser_finds_nothing(unit):
    done = subprocess.run(
        ["systemd-analyze", "verify", "--man=no", str(unit)],
        capture_output=True,
        text=True,
        check=False,
    )
    mine = [x for x in done.stderr.splitlines() if "campledger" in x]
    assert mine == []


@pytest.mark.skipif(
    shutil.which("systemd-analyze") is None, reason="needs systemd-analyze"
)
@pytest.mark.parametrize("unit", UNITS, indirect=True)
def test_the_exposure_is_low(unit):
    done = subprocess.run(
        [
            "systemd-analyze",
            "security",
            "--offline=true",
            f"--threshold={EXPOSURE}",
            str(unit),
        ],
        capture_output=True,
        text=True,
        check=False,
    )
    assert done.returncode == 0, done.stdout[-300:]


def test_the_logger_waits_for_no_network_and_no_time():
    text = (DEPLOY / "systemd" / "campledger.service").read_text()
    lines = [x for x in text.splitlines() if x and not x.startswith("#")]
    order = " ".join(
        x for x in lines if x.startswith(("After", "Wants", "Requires", "BindsTo"))
    )
    assert order == "RequiresMountsFor=/var/lib/campledger"


@pytest.mark.parametrize(
    "line",
    ["Type=notify", "Restart=always", "NoNewPrivileges=yes", "ProtectSystem=strict"],
)
def test_the_logger_comes_back_and_is_fenced_in(line):
    text = (DEPLOY / "systemd" / "campledger.service").read_text()
    assert line in text.splitlines()
    assert "WatchdogSec=" in text
    assert "MemoryMax=" in text


def test_install_lays_its_files_out(tmp_path):
    done = subprocess.run(
        ["bash", str(DEPLOY / "install.sh"), "--stage", str(tmp_path)],
        capture_output=True,
        text=True,
        check=True,
    )
    assert "nothing else was done" in done.stdout
    for name in (
        "opt/campledger/app/src/campledger/__main__.py",
        "opt/campledger/app/deploy/requirements.lock",
        "etc/systemd/system/campledger.service",
        "etc/udev/rules.d/60-campledger.rules",
        "etc/systemd/journald.conf.d/60-campledger.conf",
    ):
        assert (tmp_path / name).is_file()
    assert (tmp_path / "usr/local/bin/campledger").is_symlink()


@pytest.mark.parametrize(
    ("script", "words"),
    [
        ("install.sh", ["--everything"]),
        ("uninstall.sh", ["--purge"]),
        ("upgrade.sh", ["now"]),
        ("bundle.sh", []),
    ],
)
def test_a_wrong_option_does_nothing(script, words):
    done = subprocess.run(
        ["bash", str(DEPLOY / script), *words],
        capture_output=True,
        text=True,
        check=False,
    )
    assert done.returncode == 1
    assert "Nothing done." in done.stderr
