"""Keys that many tables of the rig file share: volts, amps, degrees, text."""

from __future__ import annotations

from campledger.formats.tomlfile import Key

POSITION_KEYS = (
    Key(
        name="latitude_deg",
        field="latitude",
        low=-90.0,
        high=90.0,
        expected="degrees -90..90, north positive",
    ),
    Key(
        name="longitude_deg",
        field="longitude",
        low=-180.0,
        high=180.0,
        expected="degrees -180..180, east positive",
    ),
)
"""Where the vehicle stands, or will."""


def volts_key(
    name: str, field: str, default: float | None = None, low: float = 5.0
) -> Key:
    """Give a key of volts of a 12 V battery."""
    return Key(
        name=name,
        field=field,
        low=low,
        high=20.0,
        default=default,
        expected="volts of a 12 V system, e.g. 13.6",
    )


def amps_key(
    name: str, field: str, default: float | None = None, high: float = 1000.0
) -> Key:
    """Give a key of amps."""
    return Key(
        name=name,
        field=field,
        low=0.0,
        high=high,
        default=default,
        expected="amps, e.g. 15",
    )


def degrees_key(name: str, field: str, default: float | None = None) -> Key:
    """Give a key of a temperature."""
    return Key(
        name=name,
        field=field,
        low=-60.0,
        high=120.0,
        default=default,
        expected="degrees Celsius, e.g. 5",
    )


def text_key(name: str, field: str, default: str | None = None) -> Key:
    """Give a key of free text."""
    return Key(name=name, field=field, kind="text", default=default)
