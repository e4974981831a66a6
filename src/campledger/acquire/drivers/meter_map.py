"""
The register map file of a Modbus meter: what the meter's manual says, as TOML.

::

    [meter]
    name = "made-up shunt meter"
    word_order = "big"          # big: high word first; little: low word first
    byte_order = "big"          # big as the standard asks; little: bytes swapped

    [[register]]
    role = "current"            # what the rig file maps to a channel
    function = 3                # 3 holding, 4 input registers
    address = 0x0102            # as sent on the wire, counted from 0
    type = "int16"              # int16 uint16 int32 uint32 acc32 float32
    scale = 0.01
    offset = 0.0
    scale_address = 0x0110      # SunSpec scale factor: value x 10**sf
    not_implemented = 0x8000    # a word or a list; default by type as SunSpec has it
    channel = "current_house_a" # where the rig file maps no role

References: SunSpec Device Information Model Specification, basic types and their "not
implemented" values.
"""

from __future__ import annotations

from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING

from campledger.formats.tomlfile import Checker, Key, load, spell

if TYPE_CHECKING:
    from collections.abc import Mapping

SIZES: Mapping[str, int] = {
    "int16": 1,
    "uint16": 1,
    "int32": 2,
    "uint32": 2,
    "acc32": 2,
    "float32": 2,
}
NOT_IMPLEMENTED: Mapping[str, int] = {
    "int16": 0x8000,
    "uint16": 0xFFFF,
    "int32": 0x80000000,
    "uint32": 0xFFFFFFFF,
    "acc32": 0,
    "float32": 0x7FC00000,
}
"""The word that means "no value", by type. SunSpec."""
LAST_ADDRESS = 65535


@dataclass(frozen=True, kw_only=True)
class Register:
    """One quantity of a meter."""

    role: str
    function: int
    address: int
    kind: str
    scale: float = 1.0
    offset: float = 0.0
    scale_address: int | None = None
    not_implemented: frozenset[int] = frozenset()
    channel: str = ""
    words_swapped: bool = False
    bytes_swapped: bool = False

    @property
    def size(self) -> int:
        """Number of 16-bit registers."""
        return SIZES[self.kind]


@dataclass(frozen=True, kw_only=True)
class MeterMap:
    """A register map file."""

    name: str
    registers: tuple[Register, ...]


ORDERS = ("big", "little")
METER_KEYS = (
    Key(name="name", field="name", kind="text", default="meter"),
    Key(name="word_order", field="words", kind="choice", choices=ORDERS, default="big"),
    Key(name="byte_order", field="bytes", kind="choice", choices=ORDERS, default="big"),
)
REGISTER_KEYS = (
    Key(name="role", field="role", kind="text", required=True, expected="a role"),
    Key(name="function", field="function", low=3, high=4, default=3),
    Key(name="address", field="address", low=0, high=LAST_ADDRESS, required=True),
    Key(
        name="type",
        field="kind",
        kind="choice",
        choices=tuple(SIZES),
        required=True,
        expected=", ".join(SIZES),
    ),
    Key(name="scale", field="scale", default=1.0),
    Key(name="offset", field="offset", default=0.0),
    Key(name="scale_address", field="scale_address", low=0, high=LAST_ADDRESS),
    Key(name="channel", field="channel", kind="text", default=""),
)


def read_map(path: str | Path) -> MeterMap:
    """
    Read a register map file.

    Raises
    ------
    FaultsError
        Everything that is wrong with it, a line each.
    """
    data, _, checker = load(Path(path), "Meter map")
    checker.unknown(data, "", ("meter", "register"))
    meter = checker.read(checker.table(data.get("meter"), "meter"), "meter", METER_KEYS)
    registers = []
    seen: set[str] = set()
    for place, table in checker.tables(data.get("register"), "register"):
        values = checker.read(table, place, REGISTER_KEYS, others=("not_implemented",))
        values.setdefault("kind", "int16")
        role = str(values.setdefault("role", ""))
        if role in seen:
            checker.fault(f"{place}.role", spell(role), "each role once")
        seen.add(role)
        for whole in ("function", "address", "scale_address"):
            if whole in values:
                values[whole] = int(values[whole])
        values.setdefault("address", 0)
        marks = _marks(table.get("not_implemented"), place, values["kind"], checker)
        registers.append(
            Register(
                **values,
                not_implemented=marks,
                words_swapped=meter["words"] == "little",
                bytes_swapped=meter["bytes"] == "little",
            )
        )
    if not registers:
        checker.fault("register", "none", "at least one [[register]]")
    checker.raise_if_any()
    return MeterMap(name=meter["name"], registers=tuple(registers))


def _marks(raw: object, place: str, kind: str, checker: Checker) -> frozenset[int]:
    if raw is None:
        return frozenset({NOT_IMPLEMENTED[kind]})
    given = raw if isinstance(raw, list) else [raw]
    most = 1 << 16 * SIZES[kind]
    if all(
        isinstance(x, int) and not isinstance(x, bool) and 0 <= x < most for x in given
    ):
        return frozenset(given)
    checker.fault(
        f"{place}.not_implemented", spell(raw), "raw words, e.g. 0x8000, or [] for none"
    )
    return frozenset()
