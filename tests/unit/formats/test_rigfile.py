"""Rig files: defaults named, every fault at once in the form of job.md E5."""

from pathlib import Path

import pytest

from campledger.errors import FaultsError
from campledger.formats.draft import QUESTIONS, draft_rig
from campledger.formats.rigfile import read_rig

ROOT = Path(__file__).parents[3]
LEAST = """[rig]
name = "x"
timezone = "Australia/Darwin"
[house]
chemistry = "lfp"
capacity_rated_ah = 100
"""


def rig(tmp_path, text):
    path = tmp_path / "rig.toml"
    path.write_text(text)
    return read_rig(path)


def faults(tmp_path, text):
    with pytest.raises(FaultsError) as caught:
        rig(tmp_path, text)
    return [str(f) for f in caught.value.faults]


def test_the_least_rig_gets_the_defaults_of_the_contract(tmp_path):
    read = rig(tmp_path, LEAST)
    house = read.house
    assert (house.floor, house.voltage_absorption, house.voltage_float) == (
        0.2,
        14.4,
        13.6,
    )
    assert (house.current_full, house.duration_full, house.current_charge_max) == (
        4.0,
        1800.0,
        50.0,
    )
    assert {"house.floor", "house.absorption_v", "engine.alternator"} <= read.assumed
    assert "house.chemistry" not in read.assumed
    lead = rig(tmp_path, LEAST.replace("lfp", "agm"))
    assert lead.house.floor == 0.5
    assert lead.house.temp_compensation == -0.024


def test_what_is_typed_is_not_assumed(tmp_path):
    read = rig(tmp_path, LEAST + "floor = 0.3\n[load.fridge]\nkind = 'fridge'\n")
    assert read.house.floor == 0.3
    assert "house.floor" not in read.assumed
    assert read.load("fridge").temp_cold_line == 5.0


@pytest.mark.parametrize(
    ("lines", "fault"),
    [
        (
            "floor = 50",
            "rig.toml:7: house.floor: got 50, expected a share 0..1, e.g. 0.5. "
            "Rig not loaded.",
        ),
        (
            '[load.pump]\n[cable.pump]\nlength_m = 2\nsize = "2 mm2"\nfuse_a = "15000"',
            'rig.toml:11: cable.pump.fuse_a: got "15000", expected amps, e.g. 15. '
            "Rig not loaded.",
        ),
        (
            "nominal_v = 24",
            "rig.toml:7: house.nominal_v: got 24, expected 11-14.5, only 12 V systems. "
            "Rig not loaded.",
        ),
        (
            "florr = 0.3",
            "rig.toml:7: house.florr: got no such key, expected floor. Rig not loaded.",
        ),
        (
            '[load.fridge]\n[cable.fridge]\nlength_m = 5\nsize = "6mm"',
            'rig.toml:10: cable.fridge.size: got "6mm", expected "6 mm2" (copper) or '
            '"6 mm auto" (outside size, about 4.6 mm2). Rig not loaded.',
        ),
        (
            "[load.cool_box]",
            'rig.toml:7: load.cool_box: got "cool_box", expected a name of a-z and '
            "0-9, at most 24, no underscore. Rig not loaded.",
        ),
        (
            '[[sensor]]\ndriver = "ina226"\nbus = "i2c:1"\n'
            'channels = { current = "current_hose_a" }',
            'rig.toml:10: sensor[1].channels.current: got "current_hose_a", expected a '
            "place of this rig: air, charge, engine, house, isolator, logger, start, "
            "vehicle. Rig not loaded.",
        ),
    ],
    ids=["floor", "fuse", "volts", "misspelt", "cable", "name", "channel"],
)
def test_one_fault_one_line(lines, fault, tmp_path):
    assert faults(tmp_path, LEAST + lines + "\n") == [fault]


def test_all_faults_at_once_the_first_counts_the_others(tmp_path):
    text = LEAST.replace('"lfp"', '"lithium"').replace("Australia/", "Mars/")
    lines = faults(tmp_path, text + "floor = 50\n")
    assert lines == [
        'rig.toml:3: rig.timezone: got "Mars/Darwin", expected a zone name, e.g. '
        '"Australia/Darwin". Rig not loaded; 2 other problems below.',
        'rig.toml:5: house.chemistry: got "lithium", expected flooded, agm, gel or '
        "lfp. Rig not loaded.",
        "rig.toml:7: house.floor: got 50, expected a share 0..1, e.g. 0.5. "
        "Rig not loaded.",
    ]


def test_syntax_and_absence_are_one_line(tmp_path):
    (line,) = faults(tmp_path, "[rig\nname = 1")
    assert line.startswith("rig.toml:1: syntax: got ")
    with pytest.raises(FaultsError, match=r"none\.toml: file: got no such file"):
        read_rig(tmp_path / "none.toml")


def test_missing_required_keys_are_all_named(tmp_path):
    lines = faults(tmp_path, "")
    assert [line.split(": ")[1] for line in lines] == [
        "rig.name",
        "rig.timezone",
        "house.chemistry",
        "house.capacity_rated_ah",
    ]


def test_fingerprint_ignores_layout_and_sees_values(tmp_path):
    one = rig(tmp_path, LEAST).fingerprint
    assert rig(tmp_path, "# remark\n" + LEAST.replace(" = ", "=")).fingerprint == one
    assert rig(tmp_path, LEAST.replace("100", "101")).fingerprint != one


def test_correction_times_without_offset_are_rig_time(tmp_path):
    read = rig(
        tmp_path,
        LEAST + '[[correction]]\nchannel = "current_house_a"\nscale = -1\n'
        "from = 2026-05-01T09:30:00\n",
    )
    assert read.corrections[0].start_utc == 1777593600.0  # 00:00 UTC, Darwin +09:30


@pytest.mark.parametrize(
    "path", sorted(ROOT.glob("config/*.toml")), ids=lambda p: p.name
)
def test_every_shipped_rig_is_sound(path):
    text = path.read_text()
    if "[house]" in text:
        assert read_rig(path).name


def test_a_draft_is_a_sound_rig(tmp_path):
    assert rig(tmp_path, draft_rig({})).house.chemistry == "agm"
    full = draft_rig(
        {
            "chemistry": "lfp",
            "panel": "160",
            "engine": "dcdc",
            "engine_amps": "25",
            "fridge": "4",
            "inverter": "yes",
            "start": "yes",
            "nights": "40",
            "name": 'The "van"',
        }
    )
    read = rig(tmp_path, full)
    assert read.name == 'The "van"'
    assert read.source("alternator").current_rated == 25
    assert 10 <= len(QUESTIONS) <= 14
    with pytest.raises(ValueError, match="capacity is 'many'"):
        draft_rig({"capacity": "many"})
