"""From ``--map`` and ``--set`` to the way a file is opened."""

from __future__ import annotations

from contextlib import suppress
from typing import TYPE_CHECKING

from campledger.app.clocks import KEYS
from campledger.errors import CampledgerError, Fault, InputError
from campledger.formats.foreign import propose_map
from campledger.formats.foreigncolumns import NONE
from campledger.formats.mapfile import read_map, write_map
from campledger.formats.recording import read_recording

if TYPE_CHECKING:
    from collections.abc import Callable, Sequence
    from pathlib import Path

    from campledger.app.importing import Opener
    from campledger.formats.layout import RecordingMap
    from campledger.formats.recording import Recording
    from campledger.model.rig import Rig


def settings_of(pairs: Sequence[str]) -> dict[str, str]:
    """
    Read ``KEY=VALUE`` pairs.

    Raises
    ------
    InputError
        A pair without ``=``.
    """
    out = {}
    for pair in pairs:
        key, equals, value = pair.partition("=")
        if not equals or not key:
            raise InputError(
                Fault(
                    file="import",
                    field="--set",
                    got=f'"{pair}"',
                    expected="KEY=VALUE, e.g. current_sign=+in",
                    effect="Nothing loaded.",
                )
            )
        out[key.strip()] = value.strip()
    return out


def make_opener(
    map_file: str | None,
    pairs: Sequence[str],
    rig: Rig,
    *,
    confirm: Callable[[str], bool],
) -> tuple[Opener, str]:
    """
    Give the function that opens a recording, and the recorder's name.

    A native file needs no map. A foreign one is read with the map given, else with one
    proposed by looking, shown to ``confirm`` and written beside the file.
    """
    settings = settings_of(pairs)
    recorder = settings.pop("recorder", "")
    for key in KEYS:
        settings.pop(key, None)
    volts = settings.get("voltage") != NONE

    def opener(path: Path) -> Recording:
        layout = read_map(map_file) if map_file is not None else None
        native = read_recording(path, layout, need_voltage=volts)
        if native is not None:
            return native
        layout = _propose(path, settings, rig, confirm)
        opened = read_recording(path, layout, need_voltage=volts)
        if opened is None:
            msg = f"{path.name}: the proposed map does not open its own file"
            raise CampledgerError(msg)
        return opened

    return opener, recorder


def _propose(
    path: Path, settings: dict[str, str], rig: Rig, confirm: Callable[[str], bool]
) -> RecordingMap:
    places = [s.name for s in rig.sources] + [x.name for x in rig.loads]
    found = propose_map(path, answers=settings, places=places, zone=rig.timezone)
    text = write_map(found.layout, found=found.notes)
    target = path.with_name(path.name + ".map.toml")
    left = f"Left out: {', '.join(found.left_out)}.\n" if found.left_out else ""
    shown = f"{path.name}: read as follows.\n{text}{left}"
    if not confirm(shown):
        raise InputError(
            Fault(
                file=path.name,
                field="map",
                got="no",
                expected=f"yes, or a mended map with --map {target.name}",
                effect="Nothing loaded.",
            )
        )
    with suppress(OSError):
        target.write_text(text, encoding="utf-8")
    return found.layout
