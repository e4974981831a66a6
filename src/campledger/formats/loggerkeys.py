"""Keys of the rig file that belong to the logger: sensors, corrections, page, push."""

from __future__ import annotations

from campledger.formats.keyparts import amps_key, text_key
from campledger.formats.tomlfile import Key

CORRECTION_KEYS = (
    Key(
        name="channel",
        field="channel",
        kind="text",
        required=True,
        expected='a channel, e.g. "current_house_a"',
    ),
    Key(
        name="scale",
        field="scale",
        low=-1000.0,
        high=1000.0,
        default=1.0,
        expected="a factor, e.g. -1",
    ),
    Key(
        name="offset",
        field="offset",
        default=0.0,
        expected="a number in the channel's unit",
    ),
    Key(name="from", field="start_utc", kind="moment"),
    Key(name="to", field="end_utc", kind="moment"),
    text_key("reason", "reason"),
)
SENSOR_KEYS = (
    Key(
        name="driver",
        field="driver",
        kind="text",
        required=True,
        expected='a driver, e.g. "ina226"',
    ),
    Key(
        name="bus",
        field="bus",
        kind="text",
        required=True,
        expected='"i2c:N", "w1:28-0123456789ab", "tcp:HOST:PORT" or '
        '"rtu:DEVICE:BAUD:8N1"',
    ),
    Key(
        name="address",
        field="address",
        low=0,
        high=255,
        expected="I2C address or unit id, e.g. 0x40",
    ),
    Key(
        name="shunt_mohm",
        field="shunt",
        low=0.0,
        high=10000.0,
        open_low=True,
        scale=1e-3,
        expected="milliohms, e.g. 0.5",
    ),
    amps_key("max_a", "current_max", high=5000.0),
    Key(
        name="interval_s",
        field="interval",
        low=0.05,
        high=3600.0,
        default=1.0,
        expected="seconds, e.g. 1",
    ),
    text_key("map", "map_file"),
)
LOGGER_KEYS = (
    Key(
        name="window_s",
        field="window",
        low=1.0,
        high=600.0,
        default=10.0,
        expected="seconds, e.g. 10",
    ),
    Key(
        name="free_warn_mb",
        field="free_warn",
        low=0.0,
        default=200.0,
        scale=1e6,
        expected="megabytes, e.g. 200",
    ),
    Key(
        name="free_low_mb",
        field="free_low",
        low=0.0,
        default=50.0,
        scale=1e6,
        expected="megabytes, e.g. 50",
    ),
    text_key("act_command", "act_command"),
)
PAGE_KEYS = (text_key("listen", "listen", "127.0.0.1:8080"),)
PUSH_KEYS = (
    text_key("url", "url"),
    text_key("org", "org"),
    text_key("bucket", "bucket"),
    text_key("token_file", "token_file"),
)
RECORDING_KEYS = (
    Key(
        name="sampling",
        field="sampling",
        kind="choice",
        choices=("point", "mean"),
        default="point",
    ),
)
