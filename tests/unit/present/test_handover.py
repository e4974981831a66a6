"""The handover page: whole, offline, at most two sheets of A4."""

from __future__ import annotations

import re
import shutil
import subprocess

import pytest

from campledger.judge.fitout.handover import make_handover
from campledger.present.handover import handover_html, write_handover
from support.fitout_fixture import judge, plant


def page_of(name, seed):
    trip = plant(name, 1.5 if name else 0.0, seed)
    result = judge(
        trip.record,
        trip.rig,
        estimates=trip.estimates,
        plan=trip.plan,
        proofs=trip.proofs,
        earlier_fingerprint=trip.earlier,
    )
    return make_handover(
        trip.record, trip.rig, result, proofs=trip.proofs, earlier=trip.earlier
    )


@pytest.fixture(scope="module")
def faulty():
    return page_of("C31", 908)


def test_page_holds_what_is_handed_over(faulty):
    html = handover_html(faulty)
    for words in (
        "not a certificate of compliance",
        "Signature",
        "Fingerprint for later years",
        "Proof steps: 1 of 11 proved",
        "Rig as described",
        "Hydrogen" if "Hydrogen" in html else "hydrogen",
        "common practice",
    ):
        assert words in html
    for finding in faulty.fitout.findings:
        assert f"{finding.id} " in html


def test_page_needs_no_network_and_no_script(faulty):
    html = handover_html(faulty)
    assert "<script" not in html
    assert "http" not in html


def test_page_is_written_whole(faulty, tmp_path):
    path = tmp_path / "handover.html"
    write_handover(path, faulty)
    assert path.read_text("utf-8") == handover_html(faulty)
    assert list(tmp_path.iterdir()) == [path]


@pytest.mark.server
@pytest.mark.parametrize(("name", "seed"), [("", 909), ("C31", 910), ("C35", 911)])
def test_prints_on_two_sheets(name, seed, tmp_path):
    browser = shutil.which("chromium")
    assert browser, "chromium is needed for this check"
    write_handover(tmp_path / "h.html", page_of(name, seed))
    subprocess.run(
        [
            browser,
            "--headless",
            "--no-sandbox",
            "--disable-gpu",
            "--no-pdf-header-footer",
            f"--user-data-dir={tmp_path / 'profile'}",
            f"--print-to-pdf={tmp_path / 'h.pdf'}",
            str(tmp_path / "h.html"),
        ],
        check=True,
        capture_output=True,
        timeout=120,
    )
    sheets = re.findall(rb"/Type\s*/Page[^s]", (tmp_path / "h.pdf").read_bytes())
    assert 1 <= len(sheets) <= 2
