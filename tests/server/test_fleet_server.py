"""Sums of pushed minutes, made in a real time-series server."""

import json
import threading
import urllib.request
from http.server import BaseHTTPRequestHandler, ThreadingHTTPServer

import numpy as np
import pytest

from campledger.app.cli import main
from campledger.app.fleet import read_fleet
from campledger.app.fleet_server import server_accounts
from campledger.app.pushing import MEASUREMENT, escape, to_lines
from campledger.errors import InputError
from campledger.judge.fleet import compare_rigs
from campledger.present.fleet_page import fleet_html
from support.series_server import SeriesServer, installed

pytestmark = pytest.mark.server
DAY = 86400.0
T0 = 1_740_009_600.0  # a midnight
RIGS = ("Van, two=half", "plain", "gone")


def invented(seed, days):
    rng = np.random.default_rng(seed)
    time = T0 + 37 * 60.0 + 60.0 * np.arange(days * 1440)
    current = np.round(rng.normal(-0.5, 3.0, len(time)), 3)
    current[300:420] = np.nan
    current[1000:1003] = np.nan
    return time, {
        "current_house_a": current,
        "current_solar_a": np.round(rng.uniform(0, 5, len(time)), 3),
        "voltage_house_v": np.round(rng.normal(12.6, 0.1, len(time)), 3),
    }


@pytest.fixture(scope="module")
def server(tmp_path_factory):
    if not installed():
        pytest.skip("needs victoria-metrics")
    found = SeriesServer(tmp_path_factory.mktemp("data"))
    found.start()
    truth = {}
    for seed, name in enumerate(RIGS):
        time, table = invented(seed, 4)
        truth[name] = (time, table)
        prefix = f"{MEASUREMENT['minutes']},rig={escape(name)} "
        for batch in to_lines(prefix, time, table):
            request = urllib.request.Request(  # noqa: S310
                f"{found.url}/api/v2/write?bucket=b&org=o&precision=ms",
                data=batch.lines,
                method="POST",
            )
            urllib.request.urlopen(request, timeout=30).close()  # noqa: S310
    found.ask("/internal/force_flush")
    yield found, truth
    found.end()


def test_the_server_gives_the_sums_that_numpy_gives(server):
    found, truth = server
    accounts, notes = server_accounts(found.url, now=T0 + 20 * DAY)
    assert {a.name for a in accounts} == set(RIGS)
    for account in accounts:
        _, table = truth[account.name]
        current = table["current_house_a"]
        assert account.into == pytest.approx(
            np.nansum(np.maximum(current, 0)) / 60, rel=1e-9
        )
        assert account.out == pytest.approx(
            -np.nansum(np.minimum(current, 0)) / 60, rel=1e-9
        )
        assert account.volts_min == table["voltage_house_v"].min()
        (solar,) = account.places
        assert solar.charge == pytest.approx(
            table["current_solar_a"].sum() / 60, rel=1e-9
        )
        assert solar.role == ""
        assert account.days == 5
        minutes = np.isfinite(current).sum()
        assert account.covered == pytest.approx(minutes / (5 * 1440))
    page = fleet_html(compare_rigs(accounts, notes=notes))
    assert "Can&#x27;t tell which rig" in page or "Can't tell which rig" in page
    assert "Summed in the server" in page


def test_an_older_trip_is_not_mixed_with_the_last_one(server):
    found, _ = server
    name = "gone"
    time = T0 + 12 * DAY + 60.0 * np.arange(1, 61)
    lines = b"\n".join(
        f"{MEASUREMENT['minutes']},rig={name} current_house_a=-6,"
        f"voltage_house_v=12.0 {int(t) * 1000}".encode()
        for t in time
    )
    request = urllib.request.Request(  # noqa: S310
        f"{found.url}/api/v2/write?bucket=b&org=o&precision=ms",
        data=lines,
        method="POST",
    )
    urllib.request.urlopen(request, timeout=30).close()  # noqa: S310
    found.ask("/internal/force_flush")
    accounts, _ = server_accounts(found.url, now=T0 + 20 * DAY)
    gone = next(a for a in accounts if a.name == name)
    assert gone.out == pytest.approx(6.0)
    assert gone.into == 0.0


def test_a_server_that_holds_nothing_or_answers_otherwise_is_refused_in_a_line(
    server, tmp_path, capsys
):
    found, _ = server
    with pytest.raises(InputError, match="no readings in 730 days"):
        server_accounts(found.url, now=T0 - 10 * DAY)
    out = tmp_path / "x.html"
    assert main(["fleet", "http://127.0.0.1:1", "--out", str(out)]) == 2
    said = capsys.readouterr()
    assert (said.out, said.err.count("\n")) == ("", 1)
    assert not out.exists()


@pytest.mark.parametrize("body", [b"[]", b"{", b"null", b'{"status": "success"}'])
def test_a_strange_answer_is_refused(body):
    class Strange(BaseHTTPRequestHandler):
        def do_GET(self):
            self.send_response(200)
            self.end_headers()
            self.wfile.write(body)

        def log_message(self, *_):
            pass

    stub = ThreadingHTTPServer(("127.0.0.1", 0), Strange)
    threading.Thread(target=stub.serve_forever, daemon=True).start()
    try:
        with pytest.raises(InputError, match="/api/v1"):
            read_fleet(f"http://127.0.0.1:{stub.server_port}")
    finally:
        stub.shutdown()
        stub.server_close()


def test_json_names_what_is_not_known(server, tmp_path, capsys, monkeypatch):
    found, _ = server
    monkeypatch.setattr("time.time", lambda: T0 + 20 * DAY)
    out = tmp_path / "fleet.html"
    assert main(["fleet", found.url, "--out", str(out), "--json"]) == 0
    told = json.loads(capsys.readouterr().out)
    assert told["soc_known"] == 0
    assert all(r["soc_end"]["value"] is None for r in told["rigs"])
    assert out.stat().st_size > 100_000
