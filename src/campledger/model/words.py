"""The words that every number carries, and how a total inherits them."""

from collections.abc import Iterable
from enum import IntEnum


class Word(IntEnum):
    """How a number is known, from strong (0) to weak."""

    MEASURED = 0
    TYPED = 1
    WORKED_OUT = 2
    ASSUMED = 3
    MISSING = 4

    def __str__(self) -> str:
        """Give the words that a person reads."""
        return _TEXT[self]


_TEXT = {
    Word.MEASURED: "measured",
    Word.TYPED: "typed by you",
    Word.WORKED_OUT: "worked out",
    Word.ASSUMED: "assumed",
    Word.MISSING: "missing",
}

SHARE_THAT_COUNTS = 0.10
"""A part above this share of a total passes its word on (contract, section 0)."""


def weakest(parts: Iterable[tuple[float, Word]]) -> Word:
    """
    Give the word of a total: the weakest of any part above a tenth of it.

    Parameters
    ----------
    parts : iterable of (float, Word)
        Size of each part (its sign does not matter) and its word.

    Returns
    -------
    word : Word
        MISSING for no parts at all.
    """
    known = [(abs(size), word) for size, word in parts]
    if not known:
        return Word.MISSING
    total = sum(size for size, _ in known)
    counted = [w for size, w in known if total == 0 or size > SHARE_THAT_COUNTS * total]
    return max(counted, default=max(word for _, word in known))
