"""
Every key of a rig file: its unit, bounds and default, as data.

Bounds are wide: they catch a wrong unit, not a bad choice. Defaults and bounds: common
practice, no source, unless a line names one.
"""

from __future__ import annotations

from typing import TYPE_CHECKING

from campledger.formats.keyparts import (
    POSITION_KEYS,
    amps_key,
    degrees_key,
    text_key,
    volts_key,
)
from campledger.formats.tomlfile import Key
from campledger.model.rig import (
    CHEMISTRIES,
    LEAD,
    LOAD_KINDS,
    SOURCE_KINDS,
)

if TYPE_CHECKING:
    from collections.abc import Mapping

TABLES = (
    "rig",
    "house",
    "start",
    "engine",
    "source",
    "load",
    "cable",
    "mass",
    "owner",
    "price",
    "correction",
    "sensor",
    "logger",
    "page",
    "push",
    "recording",
)
ABSORPTION: Mapping[str, float] = {
    "flooded": 14.4,
    "agm": 14.4,
    "gel": 14.2,
    "lfp": 14.4,
}
FLOAT: Mapping[str, float] = {"flooded": 13.5, "agm": 13.6, "gel": 13.6, "lfp": 13.6}
FLOOR: Mapping[str, float] = {"flooded": 0.5, "agm": 0.5, "gel": 0.5, "lfp": 0.2}
NOMINAL: Mapping[str, float] = {"flooded": 12.0, "agm": 12.0, "gel": 12.0, "lfp": 12.8}
CHARGE_RATE_LEAD, CHARGE_RATE_LFP = 0.3, 0.5
"""Largest charging current over rated capacity, when not said. [1/h]"""
FULL_RATE = 0.04
"""Tail current that means full, over rated capacity. [1/h]"""
TEMP_COMP_LEAD = -24.0
"""Lead-acid, whole battery. [mV/K]"""
CHARGE_COLD: Mapping[bool, float] = {True: -20.0, False: 0.0}
CHARGE_HOT: Mapping[bool, float] = {True: 50.0, False: 45.0}
"""Limits of charging by temperature, lead-acid or not. [Cel]"""
MASS = Key(
    name="mass_kg", field="mass", low=0, high=2000, expected="kilograms, e.g. 12"
)
_LISTED = ", ".join(CHEMISTRIES[:-1]) + f" or {CHEMISTRIES[-1]}"


def house_keys(chemistry: str, rated: float) -> tuple[Key, ...]:
    """Give the keys of ``[house]`` with the defaults of a chemistry and a size."""
    return (*_battery_keys(chemistry), *_charging_keys(chemistry, rated), MASS)


def _battery_keys(chemistry: str) -> tuple[Key, ...]:
    return (
        Key(
            name="chemistry",
            field="chemistry",
            kind="choice",
            choices=CHEMISTRIES,
            required=True,
            expected=_LISTED,
        ),
        Key(
            name="capacity_rated_ah",
            field="capacity_rated",
            low=0.0,
            high=5000.0,
            open_low=True,
            required=True,
            expected="amp-hours, e.g. 100",
        ),
        Key(
            name="capacity_rated_h",
            field="duration_rated",
            low=0.5,
            high=120.0,
            default=20.0,
            scale=3600.0,
            expected="hours of that rating, e.g. 20",
        ),
        Key(
            name="capacity_now_ah",
            field="capacity_now",
            low=0.0,
            high=5000.0,
            open_low=True,
            expected="amp-hours, e.g. 82",
        ),
        Key(
            name="nominal_v",
            field="voltage_nominal",
            low=11.0,
            high=14.5,
            default=NOMINAL[chemistry],
            expected="11-14.5, only 12 V systems",
        ),
        Key(
            name="floor",
            field="floor",
            low=0.0,
            high=1.0,
            default=FLOOR[chemistry],
            expected="a share 0..1, e.g. 0.5",
        ),
    )


def _charging_keys(chemistry: str, rated: float) -> tuple[Key, ...]:
    lead = chemistry in LEAD
    rate = CHARGE_RATE_LEAD if lead else CHARGE_RATE_LFP
    return (
        volts_key("absorption_v", "voltage_absorption", ABSORPTION[chemistry], 11.0),
        volts_key("float_v", "voltage_float", FLOAT[chemistry], 11.0),
        volts_key("cutoff_v", "voltage_cutoff", 11.0, 8.0),
        amps_key("full_below_a", "current_full", round(FULL_RATE * rated, 2)),
        Key(
            name="full_for_min",
            field="duration_full",
            low=0.0,
            high=1440.0,
            default=30.0,
            scale=60.0,
            expected="minutes, e.g. 30",
        ),
        amps_key("charge_max_a", "current_charge_max", round(rate * rated, 1)),
        degrees_key("charge_min_c", "temp_charge_min", CHARGE_COLD[lead]),
        degrees_key("charge_max_c", "temp_charge_max", CHARGE_HOT[lead]),
        volts_key("charge_high_v", "voltage_charge_high", 15.0, 11.0),
        Key(
            name="temp_comp_mv_per_k",
            field="temp_compensation",
            low=-100.0,
            high=100.0,
            default=TEMP_COMP_LEAD if lead else 0.0,
            scale=1e-3,
            expected="millivolts per kelvin, whole battery, e.g. -24",
        ),
    )


RIG_KEYS = (
    Key(
        name="name",
        field="name",
        kind="text",
        required=True,
        expected='a name, e.g. "Demo van"',
    ),
    Key(
        name="timezone",
        field="timezone",
        kind="text",
        required=True,
        expected='a zone name, e.g. "Australia/Darwin"',
    ),
    *POSITION_KEYS,
    MASS,
)
START_KEYS = (
    Key(
        name="chemistry",
        field="chemistry",
        kind="choice",
        choices=CHEMISTRIES,
        default="flooded",
    ),
    volts_key("rested_ok_v", "voltage_rested_ok", 12.5, 9.0),
    volts_key("rested_low_v", "voltage_rested_low", 12.2, 9.0),
    MASS,
)
ENGINE_KEYS = (
    Key(
        name="alternator",
        field="alternator",
        kind="choice",
        choices=("fixed", "variable", "unknown"),
        default="unknown",
    ),
    MASS,
)
SOURCE_KEYS = (
    Key(name="kind", field="kind", kind="choice", choices=SOURCE_KINDS, required=True),
    Key(
        name="panel_w",
        field="power_panel",
        low=0.0,
        high=5000.0,
        open_low=True,
        expected="watts on the nameplate, e.g. 160",
    ),
    Key(
        name="tilt_deg",
        field="tilt",
        low=0.0,
        high=90.0,
        default=0.0,
        expected="degrees 0..90, 0 flat",
    ),
    Key(
        name="azimuth_deg",
        field="azimuth",
        low=-180.0,
        high=360.0,
        default=0.0,
        expected="degrees, 0 north, 90 east",
    ),
    Key(
        name="regulator",
        field="regulator",
        kind="choice",
        choices=("mppt", "pwm"),
        default="mppt",
    ),
    amps_key("rated_a", "current_rated"),
    volts_key("absorption_v", "voltage_absorption", 14.4, 11.0),
    volts_key("float_v", "voltage_float", 13.6, 11.0),
    Key(
        name="efficiency",
        field="efficiency",
        low=0.3,
        high=1.0,
        default=0.90,
        expected="a share 0.3..1, e.g. 0.9",
    ),
    volts_key("input_min_v", "voltage_input_min", 12.0),
    degrees_key("derate_c", "temp_derate", 55.0),
    volts_key("cut_in_v", "voltage_cut_in", 13.3, 9.0),
    volts_key("cut_out_v", "voltage_cut_out", 12.8, 9.0),
    MASS,
)
LOAD_KEYS = (
    Key(name="kind", field="kind", kind="choice", choices=LOAD_KINDS, default="other"),
    amps_key("on_a", "current_on"),
    amps_key("idle_a", "current_idle", high=100.0),
    degrees_key("set_c", "temp_set"),
    degrees_key("cold_line_c", "temp_cold_line", 5.0),
    volts_key("cut_out_v", "voltage_cut_out", None, 8.0),
    volts_key("restart_v", "voltage_restart", None, 8.0),
    Key(
        name="contents",
        field="contents",
        kind="choice",
        choices=("food", "medicine"),
        default="food",
    ),
    Key(name="never_list", field="never_list", kind="flag", default=False),
    MASS,
)
CABLE_KEYS = (
    text_key("from", "place_from", "house"),
    text_key("to", "place_to"),
    Key(
        name="length_m",
        field="length",
        low=0.0,
        high=100.0,
        open_low=True,
        required=True,
        expected="metres one way, e.g. 5.0",
    ),
    Key(
        name="size",
        field="size",
        kind="text",
        required=True,
        expected='"6 mm2" (copper), "6 mm auto" (outside size), "10 AWG" or "8 B&S"',
    ),
    amps_key("fuse_a", "current_fuse"),
    Key(
        name="fuse_at_m",
        field="distance_fuse",
        low=0.0,
        high=100.0,
        expected="metres from the battery post, e.g. 0.2",
    ),
    amps_key("rating_a", "current_rating"),
    MASS,
)
MASS_KEYS = (
    Key(
        name="limit_kg",
        field="limit",
        low=0.0,
        high=60000.0,
        open_low=True,
        expected="kilograms, e.g. 3100",
    ),
    Key(
        name="weighed_kg",
        field="weighed",
        low=0.0,
        high=60000.0,
        open_low=True,
        expected="kilograms, e.g. 3065",
    ),
)
OWNER_KEYS = (
    Key(
        name="nights_per_year",
        field="nights",
        low=0.0,
        high=366.0,
        open_low=True,
        expected="nights 1..366",
    ),
)
PRICE_KEYS = (text_key("currency", "currency"),)
OPTION_KEYS = (
    Key(
        name="change",
        field="change",
        kind="text",
        required=True,
        expected='the words of options, e.g. "battery_ah=200,solar_w=120"',
    ),
    Key(
        name="amount",
        field="amount",
        low=0.0,
        required=True,
        expected="a price without currency sign, e.g. 650",
    ),
    Key(
        name="life_years",
        field="life_years",
        low=0.0,
        high=100.0,
        open_low=True,
        expected="years, e.g. 10",
    ),
    Key(
        name="life_cycles",
        field="life_cycles",
        low=0.0,
        open_low=True,
        expected="cycles, e.g. 3000",
    ),
)
