"""
Kept results: estimates to bytes and back, without executing anything that is read.

A blob is a NumPy archive whose member ``tree`` is JSON; arrays stand beside it by
number. Only the classes in ``CLASSES`` are built, with exactly their own fields, so
that a foreign store can do no harm.
"""

from __future__ import annotations

import dataclasses
import hashlib
import io
import json
import math
import zlib
from typing import TYPE_CHECKING, Any

import numpy as np

from campledger import __version__
from campledger.model import estimates as e
from campledger.model.words import Word

if TYPE_CHECKING:
    from collections.abc import Iterable

    from campledger.model.rig import Rig

CLASSES: dict[str, type] = {
    c.__name__: c
    for c in (
        e.Estimate,
        e.Anchor,
        e.BatteryModel,
        e.BatteryEstimate,
        e.LoadUse,
        e.SourceUse,
        e.FridgeModel,
        e.TripEstimates,
    )
}
RESULT_VERSION = "1"
"""Raise it when an estimator changes what it gives."""
LARGEST = 256_000_000


def fingerprint(rig: Rig, extra: Iterable[str] = ()) -> str:
    """Name what a result was made with: rig, corrections, code version."""
    text = "|".join((__version__, RESULT_VERSION, rig.fingerprint, *extra))
    return hashlib.sha256(text.encode()).hexdigest()[:32]


def pack(value: object) -> bytes:
    """
    Write a tree of known dataclasses, tuples, mappings, numbers, texts and arrays.

    Raises
    ------
    TypeError
        Something else is in it.
    """
    arrays: dict[str, Any] = {}
    tree = json.dumps(_down(value, arrays))
    file = io.BytesIO()
    arrays["tree"] = np.frombuffer(tree.encode(), dtype=np.uint8)
    np.savez(file, **arrays)
    return zlib.compress(file.getvalue(), 1)


def unpack(blob: bytes) -> Any:  # noqa: ANN401
    """
    Read what `pack` wrote.

    Raises
    ------
    ValueError
        The blob is not one of ours.
    """
    try:
        inflater = zlib.decompressobj()
        raw = inflater.decompress(blob, LARGEST)
        with np.load(io.BytesIO(raw), allow_pickle=False) as file:
            tree = json.loads(file["tree"].tobytes().decode())
            return _up(tree, file)
    except (zlib.error, OSError, KeyError, TypeError, json.JSONDecodeError) as error:
        msg = f"reading a kept result: got {type(error).__name__}, expected a result"
        raise ValueError(msg) from error


def _down(value: object, arrays: dict[str, Any]) -> object:
    if isinstance(value, Word):
        return {"word": int(value)}
    if isinstance(value, np.ndarray):
        name = f"a{len(arrays)}"
        arrays[name] = value
        return {"array": name}
    if isinstance(value, (bool, int, str)) or value is None:
        return value
    if isinstance(value, (float, np.floating)):
        number = float(value)
        return number if math.isfinite(number) else {"float": repr(number)}
    if isinstance(value, (np.integer, np.bool_)):
        return value.item()
    if dataclasses.is_dataclass(value) and type(value).__name__ in CLASSES:
        names = [f.name for f in dataclasses.fields(value)]
        fields = {n: _down(getattr(value, n), arrays) for n in names}
        return {"class": type(value).__name__, "fields": fields}
    if isinstance(value, (tuple, list)):
        return {"tuple": [_down(v, arrays) for v in value]}
    if isinstance(value, dict):
        return {"map": {str(k): _down(v, arrays) for k, v in value.items()}}
    msg = f"keeping a result: got {type(value).__name__}, expected a known class"
    raise TypeError(msg)


def _up(node: object, file: Any) -> object:  # noqa: ANN401
    if not isinstance(node, dict):
        return node
    if "array" in node:
        return file[node["array"]]
    if "word" in node:
        return Word(node["word"])
    if "float" in node:
        return float(node["float"])
    if "tuple" in node:
        return tuple(_up(v, file) for v in node["tuple"])
    if "map" in node:
        return {k: _up(v, file) for k, v in node["map"].items()}
    made = CLASSES[node["class"]]
    return made(**{k: _up(v, file) for k, v in node["fields"].items()})
