"""Push to a real server, read back under its own questions; and to one that refuses."""

import json
import threading
from http.server import BaseHTTPRequestHandler, ThreadingHTTPServer

import numpy as np
import pytest

from campledger.app.cli import main
from campledger.errors import InputError
from campledger.store import Columns, open_store
from support.series_server import SeriesServer, installed

pytestmark = pytest.mark.server
T0 = 1_789_948_800.0
RIG = """
[rig]
name = "Van, two=half"
timezone = "UTC"
[house]
chemistry = "agm"
capacity_rated_ah = 100
[push]
url = "{url}"
org = "o"
bucket = "b"
{more}
"""


def fill(folder, url, *, hours=2, more=""):
    (folder / "rig.toml").write_text(RIG.format(url=url, more=more))
    at = T0 + np.arange(1.0, hours * 3600.0 + 1.0)
    values = {
        "voltage_house_v": np.round(12.5 + np.sin(at / 100.0), 3),
        "current_house_a": np.round(np.cos(at / 70.0), 3),
    }
    values["current_house_a"][500:900] = np.nan
    with open_store(folder / "s.db", "write", create=True) as store:
        store.import_rows("van", Columns(time_utc=at, values=values))
        store.seal()


def push(folder, *words):
    return main(
        [
            "push",
            "--rig",
            str(folder / "rig.toml"),
            "--store",
            str(folder / "s.db"),
            *words,
        ]
    )


@pytest.mark.skipif(not installed(), reason="needs victoria-metrics")
def test_every_point_is_there_once_however_often(tmp_path, capsys):
    server = SeriesServer(tmp_path / "data")
    server.start()
    try:
        fill(tmp_path, server.url)
        assert push(tmp_path) == 0
        assert "points pushed" in capsys.readouterr().out
        with open_store(tmp_path / "s.db") as store:
            record = store.record(T0, T0 + 7200.0)
            grid = record.minute_utc
            found = {n: record.minutes[n] for n in record.channels}
        for name, minutes in found.items():
            good = minutes.covered > 0
            at, value = server.held(f"campledger_minutes_{name}", T0, T0 + 7260)
            assert np.array_equal(at, grid[good])
            # The server keeps twelve figures.
            np.testing.assert_allclose(value, minutes.mean[good], rtol=1e-10)
        assert push(tmp_path, "--json") == 0
        assert json.loads(capsys.readouterr().out)["points"] == 0
        # A lost cursor sends all again; the points stay the same.
        with open_store(tmp_path / "s.db", "write") as store:
            store.file.db.execute("delete from meta where key like 'push:%'")
        assert push(tmp_path) == 0
        at, _ = server.held("campledger_minutes_voltage_house_v", T0, T0 + 7260)
        assert len(at) == 120
        assert push(tmp_path, "--all") == 0
        at, _ = server.held("campledger_readings_voltage_house_v", T0, T0 + 7260)
        assert len(at) == 7200
    finally:
        server.end()


class Stub(BaseHTTPRequestHandler):
    """The answers of a version 2 server, as its API document names them."""

    protocol_version = "HTTP/1.1"

    def log_message(self, *_):
        pass

    def do_POST(self):
        body = self.rfile.read(int(self.headers["Content-Length"]))
        state = self.server.state
        state["tokens"].add(self.headers.get("Authorization"))
        status = state["answers"].pop(0) if state["answers"] else 204
        if self.path.startswith("/api/v2/query"):
            self.answer(200, state["csv"](body.decode()).encode(), "text/csv")
            return
        if status == 204:
            state["bodies"].append(body)
        self.answer(status, b"" if status == 204 else b"{}", "application/json")

    def answer(self, status, body, kind):
        self.send_response(status)
        self.send_header("Content-Type", kind)
        self.send_header("Content-Length", str(len(body)))
        if status == 429:
            self.send_header("Retry-After", "1")
        self.end_headers()
        self.wfile.write(body)


@pytest.fixture
def stub():
    server = ThreadingHTTPServer(("127.0.0.1", 0), Stub)
    server.state = {
        "answers": [],
        "bodies": [],
        "tokens": set(),
        "csv": lambda _: "",
    }
    server.url = f"http://127.0.0.1:{server.server_port}"
    thread = threading.Thread(target=server.serve_forever, daemon=True)
    thread.start()
    yield server
    server.shutdown()
    server.server_close()


def table(sums):
    """An answer to count() and sum(), as the query language's document shows it."""

    def answer(query):
        what = "count" if "count()" in query else "sum"
        kind = "long" if what == "count" else "double"
        lines = [
            f"#datatype,string,long,{kind},string",
            "#group,false,false,false,true",
            "#default,_result,,,",
            ",result,table,_value,_field",
        ]
        for k, (name, (count, total)) in enumerate(sums.items()):
            lines.append(f",,{k},{count if what == 'count' else total},{name}")
        return "\r\n".join(lines) + "\r\n\r\n"

    return answer


def test_a_refused_token_is_said_and_never_shown(tmp_path, stub, capsys, monkeypatch):
    (tmp_path / "token").write_text("very-secret\n")
    fill(tmp_path, stub.url, hours=1, more=f'token_file = "{tmp_path / "token"}"')
    stub.state["answers"] = [401]
    assert push(tmp_path) == 2
    said = capsys.readouterr()
    assert "HTTP 401" in said.err
    assert "very-secret" not in said.err + said.out
    assert stub.state["tokens"] == {"Token very-secret"}


def test_busy_and_too_large_are_met_and_what_is_there_is_compared(
    tmp_path, stub, capsys
):
    fill(tmp_path, stub.url, hours=1)
    with open_store(tmp_path / "s.db") as store:
        record = store.record(T0, T0 + 3600.0)
        found = {n: record.minutes[n] for n in record.channels}
    sums = {}
    for name, minutes in found.items():
        good = minutes.mean[minutes.covered > 0]
        sums[name] = (len(good), float(good.sum()))
    stub.state["csv"] = table(sums)
    stub.state["answers"] = [429, 413]
    assert push(tmp_path) == 0
    assert "all the same" in capsys.readouterr().out
    assert len(stub.state["bodies"]) == 2


def test_a_difference_found_on_reading_back_is_told(tmp_path, stub, capsys):
    fill(tmp_path, stub.url, hours=1)
    stub.state["csv"] = table({"voltage_house_v": (59, 1.0)})
    assert push(tmp_path) == 1
    assert "found 59" in capsys.readouterr().err


def test_a_server_that_is_away_loses_nothing(tmp_path, capsys):
    fill(tmp_path, "http://127.0.0.1:9", hours=1)
    assert push(tmp_path, "--patience", "0.5") == 2
    assert "no success" in capsys.readouterr().err
    with open_store(tmp_path / "s.db") as store:
        assert store.boots()[0].rows == 3600


def test_a_token_file_that_is_not_there_is_refused(tmp_path):
    from campledger.app.push import read_token
    from campledger.model.rig import PushSettings

    with pytest.raises(InputError, match="token_file"):
        read_token(PushSettings(token_file=str(tmp_path / "none")))
