"""One short process at a time; what the page makes of looks and of root's files."""

import asyncio

import pytest

from campledger.app.page import places
from campledger.app.page.gate import LOOK_OLD, House, is_driving, now_of
from campledger.app.page.looking import DRIVE_FRESH
from campledger.app.page.pairing import boot_time
from campledger.app.page.places import NOW, put_json
from campledger.app.page.trying import Change, from_json
from campledger.app.page.worker import WAITING_MOST, Worker


class Held(Worker):
    """A worker whose processes end when told, with a code."""

    def __init__(self, folder):
        super().__init__(folder=folder, files=("--rig", "r"))
        self.words, self.code, self.go = [], 0, asyncio.Event()
        self.running = self.most = 0

    async def _process(self, more):
        self.running += 1
        self.most = max(self.most, self.running)
        self.words.append(tuple(more))
        await self.go.wait()
        self.running -= 1
        return self.code


async def settle():
    for _ in range(20):
        await asyncio.sleep(0)


def test_one_at_a_time_and_a_short_queue(tmp_path):
    async def main():
        worker = Held(tmp_path)
        assert worker.refresh()
        assert worker.refresh()
        changes = [Change(until=f"+{k + 1}h") for k in range(WAITING_MOST)]
        told = [worker.attempt(c, "a") for c in changes]
        assert told == ["waiting"] * (WAITING_MOST - 1) + ["busy"]
        assert worker.attempt(changes[0], "a") == "waiting"
        await settle()
        worker.go.set()
        await settle()
        assert worker.most == 1
        assert worker.pending == {}
        assert worker.words[0] == ()
        assert from_json(worker.words[1][1]) == changes[0]
        assert not worker.refresh()
        assert worker.refresh(force=True)
        await settle()

    asyncio.run(main())


def test_what_failed_is_not_tried_again_at_once(tmp_path):
    async def main():
        worker = Held(tmp_path)
        worker.code = 1
        worker.go.set()
        change = Change(sun="best")
        assert worker.attempt(change, "a") == "waiting"
        await settle()
        assert worker.attempt(change, "a") == "failed"
        assert worker.attempt(change, "b") == "waiting"
        await settle()
        await worker.close()

    asyncio.run(main())


@pytest.fixture
def house(tmp_path):
    return House(
        folder=tmp_path,
        name="x",
        hosts=frozenset(),
        worker=Worker(folder=tmp_path, files=()),
    )


def test_the_newest_look_rules_while_it_is_young(house):
    facts = {"driving": True, "uptime": boot_time(), "written": 0.0}
    assert now_of(house) == {}
    assert is_driving(house, {**facts, "written": 2e9})
    put_json(house.folder / NOW, {"driving": False, "uptime": boot_time()})
    assert not is_driving(house, facts)
    old = boot_time() - LOOK_OLD - 1
    put_json(house.folder / NOW, {"driving": True, "uptime": old})
    assert now_of(house) == {}
    assert not is_driving(house, {})


def test_a_drive_is_forgotten_within_minutes():
    assert DRIVE_FRESH + LOOK_OLD <= 600.0


def test_what_root_made_is_given_to_the_owner_of_the_store(tmp_path, monkeypatch):
    folder = places.make_folder(tmp_path / "p")
    put_json(folder / "pairing.json", {})
    store = tmp_path / "s.db"
    store.touch()
    given = []
    monkeypatch.setattr(places.os, "geteuid", lambda: 0)
    monkeypatch.setattr(places.os, "chown", lambda p, u, g: given.append((p, u, g)))
    places.hand_over(folder, store)
    who = (store.stat().st_uid, store.stat().st_gid)
    assert {p.name for p, *_ in given} == {"p", "tried", "pairing.json"}
    assert {(u, g) for _, u, g in given} == {who}
    monkeypatch.setattr(places.os, "geteuid", lambda: 1000)
    given.clear()
    places.hand_over(folder, store)
    assert given == []
