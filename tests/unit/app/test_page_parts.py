"""What may be asked, limits, addresses, and what the scribe refuses."""

import json
import math
import time

import numpy as np
import pytest
from tests.support.cases import make_record
from tests.support.page_world import LOADS, RIG_TEXT, make_store

from campledger.app.page import network, scribe
from campledger.app.page.answering import CLOCKS, change_words
from campledger.app.page.gate import age_of
from campledger.app.page.limits import Doors, Rate
from campledger.app.page.looking import is_driving, look
from campledger.app.page.pairing import Pairing
from campledger.app.page.places import PAIRING, make_folder
from campledger.app.page.trying import Change, from_json, read_change, to_json
from campledger.formats.rigfile import read_rig
from campledger.model.clock import STRENGTH
from campledger.store import open_store


def test_a_change_is_read_and_survives_its_json():
    given = {"until": ["+48h"], "without": ["lights", "fridge"], "drive": ["1.5"]}
    change = read_change({**given, "sun": ["worst"], "at": ["07:30"]}, LOADS)
    assert change == Change(
        until="+48h", without=("fridge", "lights"), sun="worst", drive=1.5, at="07:30"
    )
    assert from_json(to_json(change)) == change
    assert change.key("a") != change.key("b")
    words = " ".join(change_words(change))
    assert words == (
        "with fridge off with lights off with a drive of 1.5 h at 07:30 with every day "
        "like the worst of this trip for 48 h more"
    )


@pytest.mark.parametrize(
    "given",
    [
        {"until": ["+0h"]},
        {"until": ["+169h"]},
        {"until": ["+48h\n"]},
        {"until": ["--store=/x"]},
        {"without": ["nuclear"]},
        {"sun": ["worst", "best"]},
        {"sun": ["bright"]},
        {"drive": ["-1"]},
        {"drive": ["nan"]},
        {"drive": ["13"]},
        {"at": ["25:00"]},
        {"what": ["x"]},
    ],
)
def test_anything_else_is_refused(given):
    with pytest.raises(ValueError, match=r"expected|unknown"):
        read_change(given, LOADS)


def test_a_clock_time_is_a_deadline():
    change = read_change({"clock": ["09:00"], "until": [""]}, LOADS)
    assert change.until == "09:00"
    assert change_words(change) == ["until 09:00"]


def test_the_rate_fills_again_and_its_memory_is_bounded():
    now = [0.0]
    rate = Rate(burst=3, a_second=1.0, now=lambda: now[0])
    assert [rate.allow("a") for _ in range(4)] == [True, True, True, False]
    assert rate.allow("b")
    now[0] = 2.0
    assert [rate.allow("a") for _ in range(3)] == [True, True, False]
    for k in range(5000):
        rate.allow(str(k))
    assert len(rate.buckets) == 2000


class _Guest:
    gone = False

    def closed(self):
        return self.gone

    def close(self):
        self.gone = True


def test_doors_are_bounded_by_address_in_all_and_in_time():
    now = [0.0]
    doors = Doors(each=2, all=3, life=60.0, now=lambda: now[0])
    guests = [_Guest() for _ in range(9)]
    assert doors.enter("a", guests[0])
    assert doors.enter("a", guests[1])
    assert not doors.enter("a", guests[2])
    assert doors.enter("b", guests[3])
    assert not doors.enter("c", guests[4])
    guests[0].close()
    assert doors.enter("c", guests[5])
    now[0] = 61.0
    doors.sweep()
    assert all(guests[k].gone for k in (1, 3, 5))
    assert doors.inside == {}


def test_hosts_and_addresses():
    hosts = network.hosts_of("127.0.0.1:8080")
    assert hosts == {"127.0.0.1:8080", "localhost:8080", "[::1]:8080"}
    assert "192.168.4.1" in network.hosts_of("192.168.4.1:80")
    assert network.address_of("192.168.4.1:80") == "http://192.168.4.1/"
    assert network.address_of("[fd00::1]:8080") == "http://[fd00::1]:8080/"
    assert network.is_loopback("127.0.0.1:8080")
    assert not network.is_loopback("0.0.0.0:8080")
    assert network.address_of("0.0.0.0:8080").endswith(":8080/")


def test_the_network_is_the_one_that_is_offered(tmp_path, monkeypatch):
    monkeypatch.setattr(network, "ACCESS_POINT", tmp_path / "none.conf")
    monkeypatch.setattr(network, "MANAGED", tmp_path)
    monkeypatch.setattr(network.shutil, "which", lambda _: None)
    (tmp_path / "a.nmconnection").write_text("[wifi]\nmode=infrastructure\nssid=Home\n")
    assert network.network_name() == ""
    (tmp_path / "b.nmconnection").write_text("[wifi]\nmode=ap\nssid=Van net\n")
    assert network.network_name() == "Van net"
    (tmp_path / "none.conf").write_text("interface=wlan0\nssid=Other\n")
    assert network.network_name() == "Other"


def test_every_kind_of_date_has_words():
    assert set(CLOCKS) >= set(STRENGTH) - {"sun"} | {"clock"} or set(STRENGTH) <= set(
        CLOCKS
    )


def test_age_survives_a_restart_of_the_board():
    boot = time.clock_gettime(time.CLOCK_BOOTTIME)
    now = time.time()
    assert age_of({"uptime": boot - 60, "written": now - 60}) == pytest.approx(
        60, abs=2
    )
    later = age_of({"uptime": boot + 5000, "written": now - 900})
    assert later == pytest.approx(900, abs=2)
    earlier = age_of({"uptime": 1.0, "written": now - 30})
    assert earlier <= max(boot, 32)
    assert math.isnan(age_of({}))


class _Rig:
    def __init__(self, sources):
        self.sources = sources


class _Source:
    def __init__(self, name, kind):
        self.name, self.kind = name, kind


@pytest.mark.parametrize(
    ("columns", "expected"),
    [
        ({"state_engine": 1.0}, True),
        ({"state_engine": 0.0, "current_alternator_a": 0.1}, False),
        ({"current_alternator_a": 9.0}, True),
        ({"speed_vehicle_mps": 20.0}, True),
        ({"current_solar_a": 9.0}, False),
        ({}, False),
    ],
)
def test_driving_is_seen_and_unknown_is_not_driving(columns, expected):
    time_utc = np.arange(0.0, 600.0, 10.0)
    values = {n: np.full(60, v) for n, v in columns.items()}
    record = make_record(time_utc, {"voltage_house_v": np.full(60, 13.0), **values})
    sources = (_Source("alternator", "dcdc"), _Source("solar", "solar"))
    rig = _Rig(sources)
    assert is_driving(record, rig, 600.0) is expected
    assert is_driving(record, rig, 600.0 + 3600.0) is False


@pytest.fixture
def desk(tmp_path):
    rig = tmp_path / "rig.toml"
    rig.write_text(RIG_TEXT)
    folder = make_folder(tmp_path / "p.page")
    store = make_store(tmp_path / "p.db")
    return scribe.Desk(rig_name="Demo van", rig=rig, store=store, folder=folder)


@pytest.fixture
def token(desk):
    pairing = Pairing(path=desk.folder / PAIRING)
    return pairing.pair(pairing.new_code())


def ask(desk, **message):
    return scribe.answer(desk, json.dumps(message).encode())


@pytest.mark.parametrize(
    "raw",
    [b"", b"[]", b"{", b"\xff\xfe", b"[" * 2000, b'{"do":"write","kind":"note"}'],
)
def test_the_scribe_refuses_what_it_does_not_know(desk, raw):
    said = scribe.answer(desk, raw)
    assert said["status"] in {400, 403}


def test_nothing_is_written_without_a_paired_phone(desk, token):
    for given in ("", "x", token + "x", None, 5, [token]):
        said = ask(desk, do="write", kind="note", text="hello", token=given)
        assert said["status"] == 403
    with open_store(desk.store) as store:
        assert store.entries("note") == ()


def test_a_note_keeps_its_time_and_both_clocks_where_they_differ(desk, token):
    good = {"do": "write", "kind": "note", "token": token}
    now = time.time()
    assert ask(desk, **good, text=" a \n b\x00 ", now_ms=1000 * now)["status"] == 200
    assert ask(desk, **good, text="later", now_ms=1000 * (now + 7200))["status"] == 200
    assert ask(desk, **good, text="")["status"] == 400
    assert ask(desk, **good, text="x" * 301)["status"] == 400
    with open_store(desk.store) as store:
        one, two = store.entries("note")
    assert one.body["text"] == "a b"
    assert "phone_utc" not in one.body
    assert two.body["phone_utc"] == pytest.approx(now + 7200, abs=1)
    assert one.time_utc == pytest.approx(now, abs=60)


def test_a_phones_time_is_an_anchor_and_is_asked_when_it_differs(desk, token):
    good = {"do": "write", "kind": "time", "token": token}
    now = time.time()
    assert ask(desk, **good, now_ms="soon")["status"] == 400
    assert ask(desk, **good, now_ms=1.0)["status"] == 400
    assert ask(desk, **good, now_ms=1000 * now)["status"] == 200
    asked = ask(desk, **good, now_ms=1000 * (now + 86400))
    assert asked["status"] == 409
    assert asked["ask"] is True
    assert "differs" in asked["text"]
    sure = ask(desk, **good, now_ms=1000 * (now + 86400), sure=True)
    assert sure["status"] == 200
    with open_store(desk.store) as store:
        kinds = [a.kind for found in store.anchors().values() for a in found]
    assert kinds == ["phone", "phone"]


def test_a_meter_reading_is_judged_beside_the_log(desk, token):
    good = {"do": "write", "kind": "proof", "token": token, "step": 5}
    here = {"channel": "voltage_house_v"}
    near = ask(desk, **good, **here, typed="12,61")
    assert near["text"].startswith("Passed.")
    off = ask(desk, **good, **here, typed="12.9")
    assert off["text"].startswith("Not passed.")
    assert ask(desk, **good, **here, typed="nan")["status"] == 400
    assert ask(desk, **good, channel="rig", typed="1")["status"] == 400
    with open_store(desk.store) as store:
        passed = [e.body["passed"] for e in store.entries("proof")]
    assert passed == [True, False]


def test_forgetting_revokes(desk, token):
    assert ask(desk, do="forget", token=token)["status"] == 200
    again = ask(desk, do="write", kind="note", text="x", token=token)
    assert again["status"] == 403


def test_the_rig_of_the_tests_is_one(desk):
    assert read_rig(desk.rig).name == "Demo van"


def test_a_look_sees_the_newest_event(desk):
    rig = read_rig(desk.rig)
    with open_store(desk.store, "write") as store:
        assert look(store, rig) == {"driving": False, "events": 0}
        newest = store.span()[1]
        number = store.add_entry("event", newest, {"x": 1}, key="urgent")
        assert look(store, rig)["events"] == number
        store.add_entry("event", newest, {"x": 1}, key="step")
        assert look(store, rig)["events"] == number
