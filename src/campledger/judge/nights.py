"""Nights in hand: how many dawns are reached above the floor without driving."""

from __future__ import annotations

import math

NIGHTS_MOST = 30


def nights_above_floor(
    in_hand: float | None, spent: float, gained: float, most: float
) -> int | None:
    """
    Count dawns that are reached above the floor with no drive and the middle sun.

    Parameters
    ----------
    in_hand : float or None
        Charge above the floor at a dawn. [A.h]
    spent : float
        Use of a day. [A.h]
    gained : float
        Sun of a day. [A.h]
    most : float
        Charge above the floor of a full battery. [A.h]

    Returns
    -------
    nights : int or None
        At most NIGHTS_MOST; None if the charge is not known.

    References
    ----------
    .. [1] Common practice, no source.
    """
    if in_hand is None or not all(map(math.isfinite, (in_hand, spent, gained, most))):
        return None
    left, nights = in_hand, 0
    while nights < NIGHTS_MOST:
        left = min(left - spent + gained, most)
        if left < 0:
            break
        nights += 1
    return nights
