"""The short process, and the small things of the command, on a real store."""

import json
import re
import resource
from pathlib import Path

import pytest
import segno

from campledger.app.page import answering
from campledger.app.page.places import FACTS, LIVE, TRIED, make_folder, take_json
from campledger.app.page.trying import Change, to_json


@pytest.fixture(scope="module")
def folder(tmp_path_factory):
    return make_folder(tmp_path_factory.mktemp("answers") / "t.page")


@pytest.fixture(autouse=True)
def unlimited(monkeypatch):
    """The limits are for a process of its own, not for this one."""
    monkeypatch.setattr(answering, "hold_back", lambda: None)


def seen(markup):
    return re.sub(r"\s+", " ", re.sub(r"<[^>]+>", " ", markup)).replace("\u00a0", " ")


def test_answers_say_what_the_commands_say(run, where, folder):
    at = ["--at", "2026-03-08T20:00"]
    assert run("page", "--write-answers", folder, *at, *where)[0] == 0
    facts = take_json(folder / FACTS)
    live = (folder / LIVE).read_text()
    _, out, _ = run("enough", "--json", *at, *where)
    enough = json.loads(out)
    assert facts["verdict"] == enough["verdict"]
    assert facts["driving"] is False
    for saving in enough["savings"][:3]:
        assert saving["load"] in facts["loads"]
    text = seen(live)
    first = text.split("Try it")[0]
    assert "%" not in first
    spare = abs(enough["spare_ah"]["value"])
    assert f"{spare:.0f} Ah" in first or f"{spare:.1f} Ah" in first
    for heading in ("Today's account", "Low point of each day", "Parked", "Cautions"):
        assert heading.replace("'", "&#x27;") in text
    assert "Meter readings" in str(facts["proofs"])


def test_a_change_is_worked_out_as_of_the_page(run, where, folder):
    change = Change(until="+24h", without=("inverter",), sun="worst")
    words = ["--write-answers", folder, "--change", to_json(change)]
    assert run("page", *words, *where)[0] == 0
    name = change.key(str(take_json(folder / FACTS)["identity"]))
    text = seen((folder / TRIED / f"{name}.html").read_text())
    assert "With inverter off, with every day like the worst" in text
    assert "Only worked out: nothing was switched." in text


def test_no_answer_is_an_answer(run, where, tmp_path):
    folder = make_folder(tmp_path / "e.page")
    assert (
        run("page", "--write-answers", folder, "--at", "2020-01-01T00:00", *where)[0]
        == 0
    )
    assert "Can't tell" in (folder / LIVE).read_text()
    assert take_json(folder / FACTS)["verdict"] == "cannot_tell"


def test_the_code_is_told_once(run, where):
    code, out, _ = run("page", "--new-code", "--json", *where)
    assert code == 0
    assert re.fullmatch(r"\d{8}", json.loads(out)["code"])


def test_the_address_and_its_code_to_scan(run, where, tmp_path):
    rig = tmp_path / "rig.toml"
    text = Path(where[1]).read_text(encoding="utf-8")
    rig.write_text(f'{text}\n[page]\nlisten = "192.168.4.1:8080"\n')
    _, out, _ = run("page", "--address", "--rig", rig, *where[2:])
    assert "http://192.168.4.1:8080/" in out
    drawn = segno.make_qr("http://192.168.4.1:8080/", error="m")
    wide = drawn.symbol_size(border=4)[0]
    assert {len(x) for x in out.splitlines() if x[:1] in "█▀"} == {wide}
    _, told, _ = run("page", "--address", "--json", "--rig", rig, *where[2:])
    assert json.loads(told)["address"] == "http://192.168.4.1:8080/"


def test_the_limits_are_below_those_of_the_unit():
    _, hard = resource.getrlimit(resource.RLIMIT_DATA)
    assert answering.DATA_MOST < 420e6
    assert hard == resource.RLIM_INFINITY or hard > answering.DATA_MOST
