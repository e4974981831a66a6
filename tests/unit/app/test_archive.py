"""A trip in one file: what goes in and comes out, stays at home, is refused."""

import json
import shutil
import sqlite3
import stat
import struct
import tomllib
import zipfile
import zlib
from pathlib import Path

import pytest

from campledger.app.archive import facts_of
from campledger.app.archive_open import open_archive
from campledger.errors import InputError
from campledger.formats.tomlwrite import dump
from campledger.store import open_store

TOP = Path(__file__).resolve().parents[3]
RIG = TOP / "config" / "demo_rig.toml"
OWN_NAME = "Tin Lizzy"


@pytest.fixture(scope="module")
def rig_file(tmp_path_factory):
    """The demo rig with everything in it that must not leave."""
    data = tomllib.loads(RIG.read_text())
    data["rig"] |= {
        "name": OWN_NAME,
        "latitude_deg": -34.28765,
        "longitude_deg": 135.71234,
    }
    data["push"] = {"url": "http://10.9.8.7:8086", "token_file": "/secret/token"}
    data["logger"] = {"act_command": "touch /tmp/never"}
    data["page"] = {"listen": "0.0.0.0:8080"}
    path = tmp_path_factory.mktemp("rig") / "rig.toml"
    path.write_text(dump(data))
    return path


@pytest.fixture(scope="module")
def home(where, rig_file, tmp_path_factory):
    """Options of a store of its own with a note in it, recorded by the secret rig."""
    store = tmp_path_factory.mktemp("home") / "t.db"
    shutil.copy(where[3], store)
    with sqlite3.connect(store) as db:
        db.execute("update boot set recorder = ?", (OWN_NAME,))
    db.close()
    with open_store(store, "write") as opened:
        start, end = opened.span()
        opened.add_entry("note", 0.5 * (start + end), {"text": "camped at the ford"})
        body = {"step": 1, "channel": "voltage_house_v", "typed": 12.7, "text": "ford"}
        opened.add_entry("proof", start - 1e6, body)
    return ["--rig", str(rig_file), "--store", str(store)]


@pytest.fixture(scope="module")
def made(home, tmp_path_factory):
    """An archive with nothing private, and one with everything."""
    from campledger.app.cli import main

    folder = tmp_path_factory.mktemp("made")
    both = (folder / "plain.zip", folder / "open.zip")
    assert main(["archive", str(both[0]), *home]) == 0
    assert main(["archive", str(both[1]), "--with-places", "--with-notes", *home]) == 0
    return both


def test_an_opened_archive_gives_the_same_statement(run, home, made, tmp_path):
    out = tmp_path / "o"
    assert run("archive", "--open", made[0], "--out", out)[0] == 0
    options = ["--rig", out / "rig.toml", "--store", out / "campledger.db"]
    there = json.loads(run("statement", "--json", *options)[1])
    here = json.loads(run("statement", "--json", *home)[1])
    assert there["days"] == here["days"]
    assert there["total"] == here["total"]


def test_readings_and_clock_come_out_as_they_went_in(home, made, tmp_path):
    open_archive(made[1], tmp_path / "o")
    with open_store(home[3]) as a, open_store(tmp_path / "o" / "campledger.db") as b:
        assert a.span() == b.span()
        one, two = a.record(*a.span()), b.record(*b.span())
        assert set(one.channels) == set(two.channels)
        for name, series in one.channels.items():
            other = two.channels[name]
            assert series.time_utc.tobytes() == other.time_utc.tobytes()
            assert series.value.tobytes() == other.value.tobytes()
        assert b.check() > 0


def test_names_places_notes_and_addresses_stay_at_home(made):
    whole = made[0].read_bytes()
    for word in (OWN_NAME, "ford", "10.9.8.7", "token", "never", "28765", "71234"):
        assert word.encode() not in whole
    with zipfile.ZipFile(made[0]) as zipped:
        rig = tomllib.loads(zipped.read("rig.toml").decode())
    assert rig["rig"]["latitude_deg"] == -34.3
    assert rig["rig"]["name"].startswith("rig-")


def test_the_owner_may_let_names_and_notes_out_but_never_the_token(made, tmp_path):
    whole = made[1].read_bytes()
    for word in (b"10.9.8.7", b"token", b"never"):
        assert word not in whole
    open_archive(made[1], tmp_path / "o")
    rig = tomllib.loads((tmp_path / "o" / "rig.toml").read_text())
    assert rig["rig"]["name"] == OWN_NAME
    assert rig["rig"]["latitude_deg"] == -34.28765
    with open_store(tmp_path / "o" / "campledger.db") as store:
        assert [n.body["text"] for n in store.entries("note")] == ["camped at the ford"]
        assert len(store.entries("proof")) == 1


def test_a_cut_holds_nothing_outside_it(run, home, tmp_path):
    out = tmp_path / "cut.zip"
    with open_store(home[3]) as store:
        start, end = store.span()
    words = ("--from", "2026-03-07T08:00", "--to", "2026-03-07T20:00")
    code, said, err = run("archive", out, "--json", *words, *home)
    assert (code, err) == (0, "")
    about = json.loads(said)
    open_archive(out, tmp_path / "o")
    with open_store(tmp_path / "o" / "campledger.db") as store:
        first, last = store.span()
    assert about["rows"] == pytest.approx(12 * 240, abs=2)
    assert start < first < last < end
    assert last - first <= 12 * 3600


def _member(name, data, **kw):
    info = zipfile.ZipInfo(name)
    info.external_attr = kw.get("mode", stat.S_IFREG | 0o644) << 16
    info.compress_type = kw.get("kind", zipfile.ZIP_STORED)
    return info, data


def _remade(source, target, *, change=None, extra=(), drop=(), kind=zipfile.ZIP_STORED):
    """Write an archive again with other members; the manifest fits them."""
    change = dict(change or {})
    with zipfile.ZipFile(source) as zipped:
        files = {n: zipped.read(n) for n in zipped.namelist() if n not in drop}
    about = json.loads(files["manifest.json"])
    files |= change
    about["members"] = {
        n: facts_of(d) for n, d in files.items() if n != "manifest.json"
    }
    if "manifest.json" not in change and "manifest.json" in files:
        files["manifest.json"] = json.dumps(about).encode()
    with zipfile.ZipFile(target, "w") as zipped:
        for name, data in files.items():
            info, body = _member(name, data, kind=kind)
            zipped.writestr(info, body)
        for info, body in extra:
            zipped.writestr(info, body)
    return target


HOSTILE = {
    "path up": {"extra": [_member("../../evil.toml", b"x = 1")]},
    "absolute": {"extra": [_member("/etc/evil", b"x")]},
    "stranger": {"extra": [_member("readme.txt", b"x")]},
    "link": {"extra": [_member("map.toml", b"/etc/passwd", mode=stat.S_IFLNK | 0o777)]},
    "squeezed": {"kind": zipfile.ZIP_DEFLATED},
    "no store": {"drop": ("store.db",)},
    "no rig": {"drop": ("rig.toml",)},
    "not a store": {"change": {"store.db": b"SQLite format 3\0" + bytes(5000)}},
    "no text": {"change": {"rig.toml": b"\xff\xfe\0"}},
    "no toml": {"change": {"rig.toml": b"[[["}},
    "no rig keys": {"change": {"rig.toml": b"[rig]\n"}},
    "deep proofs": {"change": {"proofs.json": b"[" * 100_000}},
    "deep manifest": {"change": {"manifest.json": b"[" * 60_000}},
    "no manifest": {"change": {"manifest.json": b"{}"}},
    "list manifest": {"change": {"manifest.json": b"[]"}},
}


@pytest.mark.parametrize("what", HOSTILE)
def test_a_hostile_archive_is_refused_and_nothing_stands(what, made, tmp_path):
    bad = _remade(made[0], tmp_path / "bad.zip", **HOSTILE[what])
    with pytest.raises(InputError) as told:
        open_archive(bad, tmp_path / "in" / "o")
    assert "Nothing opened" in str(told.value) or "rig.toml" in str(told.value)
    left = [p.name for p in tmp_path.rglob("*") if p.name not in {"bad.zip", "in"}]
    assert left == []


@pytest.mark.parametrize("at", [0, 1, 30, 500, 5000, -1, -22, -30, -100])
def test_a_cut_or_bent_archive_is_refused_or_right(at, made, tmp_path):
    data = bytearray(made[0].read_bytes())
    bad = tmp_path / "bad.zip"
    bad.write_bytes(data[: at if at else len(data) // 2])
    with pytest.raises(InputError):
        open_archive(bad, tmp_path / "o")
    data[at] ^= 0xFF
    bad.write_bytes(data)
    try:
        open_archive(bad, tmp_path / "o2")
    except InputError:
        assert not (tmp_path / "o2").exists()


def test_a_directory_of_a_million_members_is_not_read(made, tmp_path):
    data = bytearray(made[0].read_bytes())
    struct.pack_into("<HH", data, len(data) - 14, 65535, 65535)
    bad = tmp_path / "bad.zip"
    bad.write_bytes(data)
    with pytest.raises(InputError, match="directory"):
        open_archive(bad, tmp_path / "o")


def _bent_store(made, tmp_path, sql, values=()):
    with zipfile.ZipFile(made[0]) as zipped:
        (tmp_path / "s.db").write_bytes(zipped.read("store.db"))
    db = sqlite3.connect(tmp_path / "s.db")
    db.execute(sql, values)
    db.commit()
    db.close()
    data = (tmp_path / "s.db").read_bytes()
    (tmp_path / "s.db").unlink()
    return _remade(made[0], tmp_path / "bad.zip", change={"store.db": data})


BENT = {
    "trigger": "create trigger t after insert on doc begin delete from boot; end",
    "view": "create view v as select load_extension('x')",
    "another table": "create table extra (id integer)",
    "newer": "pragma user_version = 99",
    "short count": "update grp set rows = 7",
    "huge count": "update grp set rows = 4000000000",
    "strange channel": "update channel set name = '<script>' || name",
    "a plan that is none": "insert into doc (tag, kind, time_utc, key, body) "
    "values ('', 'plan', 1.0, '', '{}')",
    "a note that is none": "insert into doc (tag, kind, time_utc, key, body) "
    "values ('', 'note', 1.0, '', '[1]')",
    "a recorder that is none": "update boot set recorder = x'00ff'",
    "an anchor from nowhere": "insert into anchor (boot, uptime, time_utc, kind, bound)"
    " select id, 'x', 'y', 'z', 'w' from boot limit 1",
    "no json": "insert into doc (tag, kind, key, body) values ('', 'note', '', '{')",
}


@pytest.mark.parametrize("what", BENT)
def test_a_store_with_something_else_in_it_is_refused(what, made, tmp_path):
    bad = _bent_store(made, tmp_path, BENT[what])
    with pytest.raises(InputError, match=r"store\.db"):
        open_archive(bad, tmp_path / "o")
    assert not (tmp_path / "o").exists()


def test_a_block_that_opens_to_gigabytes_is_not_opened(made, tmp_path):
    from campledger.store.blocks import Header, pack

    bomb = zlib.compress(bytes(64_000_000), 1)
    header = Header(
        kind=3,
        sampling=0,
        rows=1,
        group=1,
        recorder="x",
        number=1,
        ordinal=0,
        channel="",
        first=0.0,
        last=1.0,
    )
    blob = pack(header, bomb)
    bad = _bent_store(
        made,
        tmp_path,
        "insert into window (boot, first, last, rows, blob) "
        "select id, 0, 1e12, 1, ? from boot limit 1",
        (blob,),
    )
    with pytest.raises(InputError, match=r"store\.db"):
        open_archive(bad, tmp_path / "o")


def test_opening_never_overwrites(made, tmp_path):
    (tmp_path / "o").mkdir()
    (tmp_path / "o" / "mine").write_text("here")
    with pytest.raises(InputError, match="empty folder"):
        open_archive(made[0], tmp_path / "o")
    assert (tmp_path / "o" / "mine").read_text() == "here"


def test_a_place_that_cannot_be_written_is_refused_in_a_line(run, home, tmp_path):
    for words in (
        ("archive", tmp_path / "no" / "x.zip"),
        ("archive", tmp_path),
        ("fleet", tmp_path, "--out", tmp_path / "no" / "x.html"),
    ):
        code, out, err = run(*words, *home)
        assert (code, out, err.count("\n")) == (2, "", 1)
        assert "Nothing written" in err
