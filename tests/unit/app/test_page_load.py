"""The page as it is installed, under phones and a fuzzer, beside a running logger."""

import argparse
import http.client
import json
import time

import pytest
from tests.bench.bench_page import measure, wait_for
from tests.support.page_fuzz import memory, scribe_of
from tests.support.page_world import RIG_TEXT, free_port, make_store, page_process

from campledger.app.page.pairing import Pairing
from campledger.app.page.places import PAIRING, make_folder, page_folder
from campledger.store import open_store

pytestmark = [pytest.mark.server, pytest.mark.slow]


def test_phones_and_hostile_requests_change_nothing(tmp_path):
    options = argparse.Namespace(phones=5, seconds=30.0, fuzz=2000, seed=7, held=False)
    found = {name.strip(): value for name, _, value in measure(tmp_path, options)}
    assert found["2000 hostile requests"] == "none"
    assert found["writes without pairing"] == "0"
    assert found["phones paired by them"] == "0"
    assert found["replies that leaked"] == "0"
    assert float(found["server MB, most"]) <= 60
    assert found["5 phones, 30 s: served, ms"].endswith(" 0 failed")
    assert found["logger beside it"].startswith("0 missed of ")
    median = float(found["served, ms (median, 95 %)"].split(",")[0])
    assert median <= 50


def _post(port, path, value, cookie=""):
    wire = http.client.HTTPConnection("127.0.0.1", port, timeout=30)
    headers = {
        "Content-Type": "application/json",
        "Origin": f"http://127.0.0.1:{port}",
        "X-Page-Write": "1",
        "Cookie": cookie,
    }
    try:
        wire.request("POST", path, json.dumps(value), headers)
        reply = wire.getresponse()
        reply.read()
        return reply.status, reply.getheader("Set-Cookie", "").split(";")[0]
    finally:
        wire.close()


def test_the_installed_page_writes_through_its_small_scribe(tmp_path):
    rig, port = tmp_path / "rig.toml", free_port()
    rig.write_text(RIG_TEXT, encoding="utf-8")
    store = make_store(tmp_path / "van.db")
    folder = make_folder(page_folder(store))
    code = Pairing(path=folder / PAIRING).new_code()
    with page_process(rig, store, port) as page:
        wait_for(port)
        for _ in range(100):
            status, cookie = _post(port, "/pair", {"code": code})
            if status != 503:
                break
            time.sleep(0.1)
        assert status == 200
        note = {"kind": "note", "text": "from outside"}
        assert _post(port, "/write", note, cookie)[0] == 200
        assert _post(port, "/write", note, cookie + "x")[0] == 403
        (scribe,) = scribe_of(page.pid)
        assert memory(scribe)[0] + memory(page.pid)[0] < 60
    with open_store(store) as opened:
        assert [e.body["text"] for e in opened.entries("note")] == ["from outside"]
