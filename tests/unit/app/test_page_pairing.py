"""Pairing: the code, the closing after five wrong ones, hashes, revoking."""

import json
import stat

import pytest

from campledger.app.page.pairing import CLOSED_FOR, PHONES_MOST, Pairing


class Clock:
    def __init__(self):
        self.now = 1000.0

    def __call__(self):
        return self.now


@pytest.fixture
def clock():
    return Clock()


@pytest.fixture
def pairing(tmp_path, clock):
    return Pairing(path=tmp_path / "pairing.json", now=clock, boot="b1")


def wrong(code):
    return f"{(int(code) + 1) % 10**8:08d}"


def test_a_phone_pairs_by_the_code(pairing):
    assert not pairing.ready()
    code = pairing.new_code()
    assert len(code) == 8
    assert code.isdigit()
    assert pairing.pair(wrong(code)) == ""
    token = pairing.pair(code)
    assert pairing.knows(token)
    assert not pairing.knows(token[:-1] + ("A" if token[-1] != "A" else "B"))
    assert not pairing.knows("")
    assert not pairing.knows("x" * 5000)


def test_only_hashes_are_kept_and_only_the_owner_reads_them(pairing):
    code = pairing.new_code()
    token = pairing.pair(code)
    kept = pairing.path.read_text()
    assert code not in kept
    assert token not in kept
    assert stat.S_IMODE(pairing.path.stat().st_mode) == 0o600


def test_five_wrong_codes_close_pairing_for_ten_minutes(pairing, clock):
    code = pairing.new_code()
    for _ in range(5):
        assert pairing.closed_for() == 0.0
        assert pairing.pair(wrong(code)) == ""
    assert pairing.closed_for() == CLOSED_FOR
    assert pairing.pair(code) == ""
    clock.now += CLOSED_FOR - 1
    assert pairing.pair(code) == ""
    clock.now += 2
    assert pairing.pair(code)


def test_a_restart_does_not_open_it_sooner(pairing, clock):
    code = pairing.new_code()
    for _ in range(5):
        pairing.pair(wrong(code))
    clock.now = 20.0
    again = Pairing(path=pairing.path, now=clock, boot="b2")
    assert again.closed_for() == CLOSED_FOR - 20.0
    assert again.pair(code) == ""


def test_a_phone_is_forgotten_and_a_new_code_forgets_all(pairing):
    code = pairing.new_code()
    one, two = pairing.pair(code), pairing.pair(code)
    pairing.forget(one)
    assert not pairing.knows(one)
    assert pairing.knows(two)
    pairing.new_code()
    assert not pairing.knows(two)
    assert pairing.pair(code) == ""


def test_phones_are_bounded(pairing, monkeypatch):
    monkeypatch.setattr("campledger.app.page.pairing.ROUNDS", 10)
    code = pairing.new_code()
    first = pairing.pair(code)
    for _ in range(PHONES_MOST):
        pairing.pair(code)
    assert not pairing.knows(first)
    assert len(json.loads(pairing.path.read_text())["phones"]) == PHONES_MOST


def test_a_broken_file_lets_nobody_in(pairing):
    pairing.path.write_text("{not json")
    assert not pairing.ready()
    assert pairing.pair("00000000") == ""
    assert not pairing.knows("x")
