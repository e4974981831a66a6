"""``check --live`` from the buses to the stored proofs, on a chip that is a model."""

import io
import json
from argparse import Namespace

import pytest
import smbus2.smbus2

from campledger.app.live_sensors import LiveSensors
from campledger.app.proving import prove
from campledger.errors import InputError
from campledger.formats.rigfile import read_rig
from campledger.store import open_store
from support.i2c_world import Ina226Model, World

RIG = """
[rig]
name = "Bench"
timezone = "UTC"
[house]
chemistry = "lfp"
capacity_rated_ah = 100
[[sensor]]
driver = "ina226"
bus = "i2c:1"
address = 0x40
shunt_mohm = 0.5
max_a = 150
channels = { current = "current_house_a", voltage = "voltage_house_v" }
"""


@pytest.fixture
def bench(tmp_path, monkeypatch):
    world = World(tmp_path)
    chip = Ina226Model(12.8, 5.0, 0.0005)
    world.chips[0x40] = chip
    monkeypatch.setattr(smbus2.smbus2, "ioctl", world.ioctl)
    monkeypatch.setattr(smbus2.smbus2, "os", world)
    path = tmp_path / "rig.toml"
    path.write_text(RIG)
    args = Namespace(
        rig=str(path), store=str(tmp_path / "bench.db"), json=True, strict=True
    )
    return args, read_rig(path), chip


class Bench(LiveSensors):
    """Time passes only in waits."""

    now = 0.0

    def open(self):
        self.clock = lambda: self.now
        self.pause = self._wait
        return super().open()

    def start(self):
        found = super().start()
        for driver in self._drivers:
            driver.clock = self.clock
            driver._ready_at = 0.0
        return found

    def _wait(self, seconds):
        self.now += max(seconds, 0.5)


def test_swapped_leads_are_found_and_the_block_is_printed(bench, capsys):
    args, rig, chip = bench
    typed = iter(["s", "", "5.0", "", "", "twelve", "12.8", "q"])

    class Typist(io.StringIO):
        def readline(self, *_):
            return next(typed) + "\n"

    # step 1 left out, step 2 with a 5 A load on swapped leads, step 3 with a charger
    code = prove(args, rig, sensors=Bench(rig=rig), answers=Typist())
    out, err = capsys.readouterr()
    made = json.loads(out)
    assert code == 3
    assert made["buses"] == [{"bus": "i2c:1", "found": ["0x40"], "problem": None}]
    assert made["sensors"][0]["problem"] is None
    steps = {s["step"]: s for s in made["steps"]}
    assert steps[2]["passed"] is False
    assert steps[2]["typed"] == -5.0
    assert steps[2]["logged"] == pytest.approx(5.0)
    assert "scale = -1\n" in made["corrections"][0]
    assert 'got "twelve", expected a number' in err
    assert "[[correction]]" in err
    assert steps[5]["passed"] is True
    assert "licensed person" in err
    assert made["proved"] == [5]
    with open_store(args.store, "read") as store:
        kept = [dict(e.body) for e in store.entries("proof")]
    assert [k["step"] for k in kept] == [s["step"] for s in made["steps"]]
    assert kept[0]["text"] == steps[2]["text"]
    assert chip.plugged


def test_a_silent_sensor_is_one_line_and_a_failed_check(bench, capsys):
    args, rig, chip = bench
    chip.plugged = False
    args.json = False
    assert prove(args, rig, sensors=Bench(rig=rig), answers=io.StringIO("")) == 3
    out, _ = capsys.readouterr()
    assert "i2c:1: nothing answers; check supply and leads" in out
    assert "NOT ANSWERING  bus i2c:1 address 0x40: no answer" in out
    assert "0 of 11 proved." in out


def test_a_rig_without_sensors_is_refused(bench, tmp_path):
    args, _, _ = bench
    text = RIG[: RIG.index("[[sensor]]")]
    (tmp_path / "rig.toml").write_text(text)
    with pytest.raises(InputError, match="sensor: got none"):
        prove(args, read_rig(tmp_path / "rig.toml"))
