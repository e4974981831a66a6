"""
Bytes of the live estimate: the whole state, and the small form kept with a window.

The small form keeps deviations and coarse correlations. What rounding takes from a
correlation it gives to the variance, so that a state taken up is never too sure.
"""

from __future__ import annotations

import struct
import zlib
from typing import TYPE_CHECKING

import numpy as np

from campledger.estimate.battery.live_filter import OHMS, SOC, STRAY

if TYPE_CHECKING:
    from campledger.model.series import FloatArray

HEAD = 24
_COUNTS = "<HH"
STEPS = (2000, 500, 125, 31)
"""Steps of a correlation in the small form, tried until it fits."""


def pack(head: list[float], filters: tuple[FloatArray, ...]) -> bytes:
    """
    Pack the whole state.

    Parameters
    ----------
    head : list of float
        Sums and slow currents, at most ``HEAD``.
    filters : tuple of arrays
        Guess (k,), weight (k,), x (k, n), p (k, n, n).

    Returns
    -------
    state : bytes
        Covariances in single precision, one half of each.

    References
    ----------
    .. [1] Common practice, no source.
    """
    guess, weight, x, p = filters
    k, n = x.shape
    half = p[:, *np.tril_indices(n)].astype("<f4")
    wide = np.concatenate([head, np.zeros(HEAD - len(head)), guess, weight, x.ravel()])
    return struct.pack(_COUNTS, k, n) + wide.astype("<f8").tobytes() + half.tobytes()


def unpack(
    state: bytes, shape: tuple[int, ...]
) -> tuple[list[float], tuple[FloatArray, ...]]:
    """
    Unpack what ``pack`` made.

    Parameters
    ----------
    state : bytes
        The whole state.
    shape : tuple of int
        Filters and unknowns that are expected.

    Returns
    -------
    head : list of float
        ``HEAD`` numbers.
    filters : tuple of arrays
        Guess, weight, x, p.

    Raises
    ------
    ValueError
        The bytes are not such a state.

    References
    ----------
    .. [1] Common practice, no source.
    """
    k, n = shape
    wanted = 4 + 8 * (HEAD + k * (2 + n)) + 4 * k * (n * (n + 1) // 2)
    if len(state) != wanted or struct.unpack_from(_COUNTS, state) != (k, n):
        msg = f"taking up the battery: state has {len(state)} B, expected {wanted}"
        raise ValueError(msg)
    wide = np.frombuffer(state, "<f8", HEAD + k * (2 + n), 4).astype(np.float64)
    half = np.frombuffer(state, "<f4", offset=4 + 8 * len(wide)).reshape(k, -1)
    p = np.zeros((k, n, n))
    rows, columns = np.tril_indices(n)
    p[:, rows, columns] = half
    p[:, columns, rows] = half
    head, guess = wide[:HEAD].tolist(), wide[HEAD : HEAD + k].copy()
    weight = wide[HEAD + k : HEAD + 2 * k].copy()
    return head, (guess, weight, wide[HEAD + 2 * k :].reshape(k, n).copy(), p)


def squeeze(state: bytes, most: int) -> bytes:
    """
    Make the small form.

    Parameters
    ----------
    state : bytes
        The whole state.
    most : int
        Bytes that it may have; correlations become coarser until it fits.

    Returns
    -------
    small : bytes
        Longer than ``most`` only if the coarsest does not fit either.

    References
    ----------
    .. [1] Common practice, no source.
    """
    shape = struct.unpack_from(_COUNTS, state)
    head, (guess, weight, x, p) = unpack(state, shape)
    std = np.sqrt(np.maximum(np.diagonal(p, axis1=1, axis2=2), 1e-12))
    alike = p / (std[:, :, None] * std[:, None, :])
    rows, columns = np.tril_indices(shape[1], -1)
    told = ~np.isin(rows, (STRAY, OHMS)) & ~np.isin(columns, (STRAY, OHMS))
    single = np.concatenate([head, guess, weight, x[:, SOC]]).astype("<f4")
    short = np.concatenate([np.delete(x, SOC, axis=1).ravel(), std.ravel()])
    front = struct.pack(_COUNTS, *shape) + single.tobytes()
    front += short.astype("<f2").tobytes()
    small = b""
    for steps in STEPS:
        coarse = np.round(alike[:, rows[told], columns[told]] * steps).astype("<i2")
        # Low bytes and high bytes apart: these compress better.
        parts = coarse.ravel().view(np.uint8).reshape(-1, 2).T.tobytes()
        small = struct.pack("<H", steps) + zlib.compress(front + parts, 9)
        if len(small) <= most:
            break
    return small


def stretch(small: bytes) -> bytes:
    """
    Make the whole state of a small form again.

    Parameters
    ----------
    small : bytes
        From ``squeeze``.

    Returns
    -------
    state : bytes
        A little wider than it was.

    Raises
    ------
    ValueError
        The bytes are not such a form.

    References
    ----------
    .. [1] A symmetric matrix whose rounding errors sum to at most e in a row stays
       positive when e is added to its diagonal: S. Gershgorin, 1931.
    """
    try:
        steps = struct.unpack_from("<H", small)[0]
        body = zlib.decompress(small[2:])
        k, n = struct.unpack_from(_COUNTS, body)
        single = np.frombuffer(body, "<f4", HEAD + 3 * k, 4).astype(np.float64)
        at = 4 + 4 * len(single)
        short = np.frombuffer(body, "<f2", k * (2 * n - 1), at).astype(np.float64)
        coarse = np.frombuffer(body, np.uint8, offset=at + 2 * len(short))
        words = np.ascontiguousarray(coarse.reshape(2, -1).T).view("<i2").reshape(k, -1)
        rows, columns = np.tril_indices(n, -1)
        told = ~np.isin(rows, (STRAY, OHMS)) & ~np.isin(columns, (STRAY, OHMS))
        alike = np.zeros((k, n, n))
        alike[:, rows[told], columns[told]] = words / steps
    except (struct.error, zlib.error, ValueError, ZeroDivisionError) as exc:
        msg = f"taking up the battery: {len(small)} B are no small state"
        raise ValueError(msg) from exc
    alike = alike + alike.transpose(0, 2, 1)
    alike = alike * (1.0 - 0.5 * n / steps) + np.eye(n)
    std = short[k * (n - 1) :].reshape(k, n)
    x = np.insert(
        short[: k * (n - 1)].reshape(k, n - 1), SOC, single[HEAD + 2 * k :], axis=1
    )
    p = alike * std[:, :, None] * std[:, None, :]
    guess, weight = single[HEAD : HEAD + k], single[HEAD + k : HEAD + 2 * k]
    return pack(single[:HEAD].tolist(), (guess, weight / weight.sum(), x, p))
