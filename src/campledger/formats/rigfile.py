"""
The rig file: TOML to a validated ``Rig``; all faults at once, every default named.

Defaults are common practice without a source unless a table says otherwise; each one
used is listed in ``Rig.assumed``.
"""

from __future__ import annotations

import itertools
import re
from pathlib import Path
from typing import TYPE_CHECKING, Any
from zoneinfo import ZoneInfo

from campledger.formats.cable_size import copper_area, size_expected
from campledger.formats.loggerkeys import (
    CORRECTION_KEYS,
    LOGGER_KEYS,
    PAGE_KEYS,
    PUSH_KEYS,
    RECORDING_KEYS,
    SENSOR_KEYS,
)
from campledger.formats.rigkeys import (
    CABLE_KEYS,
    ENGINE_KEYS,
    LOAD_KEYS,
    MASS_KEYS,
    OPTION_KEYS,
    OWNER_KEYS,
    PRICE_KEYS,
    RIG_KEYS,
    SOURCE_KEYS,
    START_KEYS,
    TABLES,
    house_keys,
)
from campledger.formats.tomlfile import Checker, Table, fingerprint, load, spell
from campledger.model.quantities import PLACES
from campledger.model.rig import (
    CHEMISTRIES,
    Cable,
    Correction,
    House,
    Load,
    LoggerSettings,
    PriceOption,
    PushSettings,
    Rig,
    Sensor,
    Source,
    StartBattery,
)
from campledger.model.series import parse_channel

if TYPE_CHECKING:
    from collections.abc import Iterator, Sequence

    from campledger.formats.tomlfile import Key, Raw

_NAME = re.compile(r"^[a-z][a-z0-9]{0,23}$")
_LISTEN = re.compile(r"^(\[[0-9a-fA-F:.]+\]|[A-Za-z0-9.-]*):(\d{1,5})$")
_BUS = re.compile(
    r"^(i2c:\d+|w1:[0-9a-fA-F]{2}-[0-9a-fA-F]{12}|tcp:[^:\s]+(:\d+)?"
    r"|rtu:[^:\s]+:\d+:[78][NEO][12])$"
)
_RESERVED = frozenset((*PLACES, "vehicle"))


def read_rig(path: Path | str) -> Rig:
    """
    Read and check a rig file.

    Raises
    ------
    FaultsError
        Everything that is wrong with it, in the order of its lines.
    """
    file = Path(path)
    data, _, checker = load(file, "Rig")
    rig = _build(data, checker, file.parent)
    checker.raise_if_any()
    return rig


def _build(data: Table, checker: Checker, folder: Path) -> Rig:
    checker.unknown(data, "", TABLES)
    head = _section(data, checker, "rig", RIG_KEYS)
    zone = _zone(head.get("timezone"), checker)
    house = _house(data, checker)
    sources = tuple(_sources(data, checker, house))
    loads = tuple(_loads(data, checker))
    twice = {s.name for s in sources} & {x.name for x in loads}
    for name in sorted(twice):
        checker.fault(f"load.{name}", "a source's name", "another name")
    places = _RESERVED | {s.name for s in sources} | {x.name for x in loads}
    mass = _section(data, checker, "mass", MASS_KEYS)
    price = _section(data, checker, "price", PRICE_KEYS, others=("option",))
    engine = _section(data, checker, "engine", ENGINE_KEYS)
    page = _section(data, checker, "page", PAGE_KEYS)
    _check_listen(page, checker)
    return Rig(
        name=head.get("name", ""),
        timezone=zone,
        latitude=head.get("latitude"),
        longitude=head.get("longitude"),
        house=house,
        start=_start(data, checker),
        alternator=engine["alternator"],
        sources=sources,
        loads=loads,
        cables=tuple(_cables(data, checker, places)),
        mass_limit=mass.get("limit"),
        mass_weighed=mass.get("weighed"),
        nights_per_year=_section(data, checker, "owner", OWNER_KEYS).get("nights"),
        currency=price.get("currency", ""),
        prices=tuple(_prices(data, checker)),
        corrections=tuple(_corrections(data, checker)),
        sensors=tuple(_sensors(data, checker, places, folder)),
        logger=LoggerSettings(**_section(data, checker, "logger", LOGGER_KEYS)),
        page_listen=page["listen"],
        push=PushSettings(**_section(data, checker, "push", PUSH_KEYS)),
        sampling=_section(data, checker, "recording", RECORDING_KEYS)["sampling"],
        assumed=frozenset(checker.assumed),
        fingerprint=fingerprint(data),
    )


def _section(
    data: Table,
    checker: Checker,
    name: str,
    keys: Sequence[Key],
    others: tuple[str, ...] = (),
) -> dict[str, Any]:
    return checker.read(checker.table(data.get(name), name), name, keys, others=others)


def _zone(name: Raw, checker: Checker) -> str:
    if not isinstance(name, str):
        return "UTC"
    try:
        checker.zone = ZoneInfo(name)
    except (KeyError, ValueError, OSError):
        checker.fault(
            "rig.timezone", spell(name), 'a zone name, e.g. "Australia/Darwin"'
        )
        return "UTC"
    return name


def _house(data: Table, checker: Checker) -> House:
    table = checker.table(data.get("house"), "house")
    chemistry = table.get("chemistry")
    if chemistry not in CHEMISTRIES:
        chemistry = "agm"
    rated = table.get("capacity_rated_ah")
    size = float(rated) if isinstance(rated, (int, float)) else 0.0
    keys = house_keys(str(chemistry), size if size > 0 else 100.0)
    values = checker.read(table, "house", keys, others=("open_circuit_v",))
    values.setdefault("chemistry", "agm")
    values.setdefault("capacity_rated", 100.0)
    values["open_circuit"] = _open_circuit(table.get("open_circuit_v"), checker)
    house = House(**values)
    _check_order(
        checker,
        (
            ("house.cutoff_v", house.voltage_cutoff, "house.float_v"),
            ("house.float_v", house.voltage_float, "house.absorption_v"),
            ("house.absorption_v", house.voltage_absorption, "house.charge_high_v"),
            ("house.charge_high_v", house.voltage_charge_high, ""),
        ),
    )
    if house.temp_charge_min >= house.temp_charge_max:
        checker.fault(
            "house.charge_max_c",
            spell(house.temp_charge_max),
            f"more than charge_min_c ({house.temp_charge_min:g})",
        )
    return house


def _check_order(checker: Checker, rising: tuple[tuple[str, float, str], ...]) -> None:
    """Report neighbours of which the first is above the second."""
    for (path, value, above), (_, upper, _) in itertools.pairwise(rising):
        if value > upper:
            checker.fault(path, spell(value), f"at most {above} ({upper:g})")


def _open_circuit(raw: Raw, checker: Checker) -> tuple[tuple[float, float], ...]:
    if raw is None:
        return ()
    pairs: list[tuple[float, float]] = []
    try:
        pairs = [(float(soc), float(volts)) for soc, volts in raw]
    except (TypeError, ValueError):
        pairs = []
    rising = all(a[0] < b[0] and a[1] <= b[1] for a, b in itertools.pairwise(pairs))
    inside = all(0.0 <= s <= 1.0 and 8.0 <= v <= 16.0 for s, v in pairs)
    if len(pairs) < 2 or not rising or not inside:
        checker.fault(
            "house.open_circuit_v",
            spell(raw),
            "rising pairs of share and volts, e.g. [[0.0, 11.8], [1.0, 12.9]]",
        )
        return ()
    return tuple(pairs)


def _start(data: Table, checker: Checker) -> StartBattery | None:
    if "start" not in data:
        return None
    start = StartBattery(**_section(data, checker, "start", START_KEYS))
    _check_order(
        checker,
        (
            ("start.rested_low_v", start.voltage_rested_low, "start.rested_ok_v"),
            ("start.rested_ok_v", start.voltage_rested_ok, ""),
        ),
    )
    return start


def _named(data: Table, checker: Checker, group: str) -> Iterator[tuple[str, Table]]:
    """Give the tables ``[group.NAME]``; reports names that no channel could carry."""
    for name, raw in checker.table(data.get(group), group).items():
        path = f"{group}.{name}"
        if not _NAME.match(name) or (group != "cable" and name in _RESERVED):
            expected = (
                "another name, this is a place of every rig"
                if name in _RESERVED
                else "a name of a-z and 0-9, at most 24, no underscore"
            )
            if not (group == "load" and name == "logger"):
                checker.fault(path, f'"{name}"', expected)
        yield path, checker.table(raw, path)


def _sources(data: Table, checker: Checker, house: House) -> Iterator[Source]:
    for path, table in _named(data, checker, "source"):
        values = checker.read(table, path, SOURCE_KEYS)
        values.setdefault("kind", "mains")
        for key, ours in (
            ("absorption_v", house.voltage_absorption),
            ("float_v", house.voltage_float),
        ):
            if key not in table:
                values[f"voltage_{key[:-2]}"] = ours
        source = Source(name=path.partition(".")[2], **values)
        if source.kind == "isolator":
            _check_order(
                checker,
                (
                    (f"{path}.cut_out_v", source.voltage_cut_out, f"{path}.cut_in_v"),
                    (f"{path}.cut_in_v", source.voltage_cut_in, ""),
                ),
            )
        yield source


def _loads(data: Table, checker: Checker) -> Iterator[Load]:
    for path, table in _named(data, checker, "load"):
        values = checker.read(table, path, LOAD_KEYS)
        load_read = Load(name=path.partition(".")[2], **values)
        low, high = load_read.voltage_cut_out, load_read.voltage_restart
        if low is not None and high is not None and low > high:
            checker.fault(
                f"{path}.cut_out_v", spell(low), f"at most restart_v ({high:g})"
            )
        yield load_read


def _cables(data: Table, checker: Checker, places: frozenset[str]) -> Iterator[Cable]:
    for path, table in _named(data, checker, "cable"):
        name = path.partition(".")[2]
        values = checker.read(table, path, CABLE_KEYS)
        if "place_to" not in values:
            values["place_to"] = name
            checker.assumed.add(f"{path}.to")
        for field, key in (("place_from", "from"), ("place_to", "to")):
            if values[field] not in places:
                checker.fault(
                    f"{path}.{key}",
                    spell(values[field]),
                    "one of " + ", ".join(sorted(places)),
                )
        size = values.setdefault("size", "")
        area = copper_area(size)
        if area is None and isinstance(table.get("size"), str):
            checker.fault(f"{path}.size", spell(size), size_expected(size))
        values.setdefault("length", 0.0)
        yield Cable(name=name, area=area or 0.0, **values)


def _prices(data: Table, checker: Checker) -> Iterator[PriceOption]:
    price = checker.table(data.get("price"), "price")
    for path, table in checker.tables(price.get("option"), "price.option"):
        values = checker.read(table, path, OPTION_KEYS)
        values.setdefault("change", "")
        values.setdefault("amount", 0.0)
        yield PriceOption(**values)


def _corrections(data: Table, checker: Checker) -> Iterator[Correction]:
    for path, table in checker.tables(data.get("correction"), "correction"):
        values = checker.read(table, path, CORRECTION_KEYS)
        for field in ("start_utc", "end_utc"):
            if field in values:
                values[field] = values[field].timestamp()
        start, end = values.get("start_utc"), values.get("end_utc")
        if start is not None and end is not None and end <= start:
            checker.fault(f"{path}.to", spell(table["to"]), "later than from")
        _check_channel(values.setdefault("channel", ""), f"{path}.channel", checker)
        yield Correction(**values)


def _check_channel(
    name: str, path: str, checker: Checker, places: frozenset[str] | None = None
) -> None:
    if not name:
        return
    channel = parse_channel(name)
    if channel is None:
        checker.fault(path, spell(name), 'a channel, e.g. "current_house_a"')
    elif places is not None and channel.place not in places:
        near = ", ".join(sorted(places))
        checker.fault(path, spell(name), f"a place of this rig: {near}")


def _sensors(
    data: Table, checker: Checker, places: frozenset[str], folder: Path
) -> Iterator[Sensor]:
    for path, table in checker.tables(data.get("sensor"), "sensor"):
        values = checker.read(table, path, SENSOR_KEYS, others=("channels", "options"))
        bus = values.setdefault("bus", "")
        if bus and not _BUS.match(bus):
            checker.fault(
                f"{path}.bus",
                spell(bus),
                '"i2c:N", "w1:28-0123456789ab", "tcp:HOST:PORT" or '
                '"rtu:DEVICE:BAUD:8N1"',
            )
        if "address" in values:
            values["address"] = int(values["address"])
        map_file = values.get("map_file", "")
        if map_file:
            values["map_file"] = str(_map_path(map_file, path, checker, folder))
        elif values.setdefault("driver", "") == "modbus":
            checker.fault(f"{path}.map", "nothing", 'a map file, map = "FILE.toml"')
        values["channels"] = tuple(
            _roles(table.get("channels"), f"{path}.channels", checker, places)
        )
        values["options"] = tuple(
            _options(table.get("options"), f"{path}.options", checker)
        )
        yield Sensor(**values)


def _map_path(name: str, path: str, checker: Checker, folder: Path) -> Path:
    file = (folder / name).resolve()
    if not file.is_file():
        checker.fault(f"{path}.map", spell(name), "a file that exists")
    return file


def _roles(
    raw: Raw, path: str, checker: Checker, places: frozenset[str]
) -> Iterator[tuple[str, str]]:
    seen: set[str] = set()
    for role, channel in checker.table(raw, path).items():
        full = f"{path}.{role}"
        if not isinstance(channel, str) or not channel:
            checker.fault(full, spell(channel), 'a channel, e.g. "current_house_a"')
            continue
        _check_channel(channel, full, checker, places)
        if channel in seen:
            checker.fault(full, spell(channel), "each channel once")
        seen.add(channel)
        yield role, channel


def _options(raw: Raw, path: str, checker: Checker) -> Iterator[tuple[str, float]]:
    for name, value in checker.table(raw, path).items():
        if isinstance(value, (int, float)) and not isinstance(value, bool):
            yield name, float(value)
        else:
            checker.fault(f"{path}.{name}", spell(value), "a number")


def _check_listen(page: dict[str, Any], checker: Checker) -> None:
    match = _LISTEN.match(page["listen"])
    if match is None or not 0 < int(match[2]) < 65536:
        checker.fault(
            "page.listen", spell(page["listen"]), 'HOST:PORT, e.g. "127.0.0.1:8080"'
        )
