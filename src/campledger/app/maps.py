"""From ``--map`` and ``--set`` to the way a file is opened."""

from __future__ import annotations

from typing import TYPE_CHECKING

from campledger.errors import Fault, InputError
from campledger.formats.recording import read_recording

if TYPE_CHECKING:
    from collections.abc import Sequence
    from pathlib import Path

    from campledger.app.importing import Opener
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
    map_file: str | None, pairs: Sequence[str], rig: Rig
) -> tuple[Opener, str]:
    """Give the function that opens a recording, and the recorder's name."""
    settings = settings_of(pairs)
    recorder = settings.pop("recorder", "")

    def opener(path: Path) -> Recording | None:
        native = None
        if map_file is None and not settings:
            native = read_recording(path)
        if native is not None:
            return native
        from campledger.formats.foreign import open_foreign  # noqa: PLC0415

        return open_foreign(path, map_file, settings, rig)

    return opener, recorder
