"""What a raw word said: a value, or why there is none."""

from __future__ import annotations

import math
from dataclasses import dataclass

NAN = math.nan


@dataclass(frozen=True, kw_only=True)
class Word:
    """
    A decoded word.

    ``value`` is in the core's unit, NaN when ``refused`` says why. ``clipped``: the
    chip is at its full scale, the truth lies beyond. ``raw`` is compared to count
    repeats.
    """

    value: float
    raw: int
    clipped: bool = False
    refused: str = ""


def signed(raw: int, bits: int) -> int:
    """
    Take an unsigned word as two's complement.

    Parameters
    ----------
    raw : int
        The lowest ``bits`` bits count.
    bits : int
        Width of the word.

    Returns
    -------
    value : int
        From -2**(bits-1) to 2**(bits-1) - 1.
    """
    top = 1 << (bits - 1)
    return ((raw & ((1 << bits) - 1)) ^ top) - top


def refuse(raw: int, why: str) -> Word:
    """Give the word that holds no value."""
    return Word(value=NAN, raw=raw, refused=why)


def signed_word(raw: int, bits: int, lsb: float) -> Word:
    """
    Decode a two's complement word; its two ends are kept and marked clipped.

    Parameters
    ----------
    raw : int
        As read.
    bits : int
        Width of the word.
    lsb : float
        Quantity per count.

    Returns
    -------
    word : Word
        The value in the unit of ``lsb``.
    """
    count = signed(raw, bits)
    top = 1 << (bits - 1)
    return Word(value=count * lsb, raw=raw, clipped=count in {-top, top - 1})
