"""
The linear part: charge balance with unknown start, offset and gaps, soft anchors.

Everything is one Gaussian over (start, offset, its daily walk, charge of each gap,
capacity); anchors are measurements of it, never jumps.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING, TypeAlias

import numpy as np
from numpy.typing import NDArray

if TYPE_CHECKING:
    from campledger.model.series import FloatArray

IntArray: TypeAlias = NDArray[np.int64]
DAY = 86400.0
HOUR = 3600.0


@dataclass(frozen=True, kw_only=True)
class Linear:
    """soc = base + rows @ x with prior x ~ N(mean, std^2), rows (m, k)."""

    base: FloatArray
    rows: FloatArray
    mean: FloatArray
    std: FloatArray


@dataclass(frozen=True, kw_only=True)
class Gaussian:
    """Mean (k,) and covariance (k, k)."""

    mean: FloatArray
    covariance: FloatArray


def condition(
    linear: Linear, index: IntArray, value: FloatArray, std: FloatArray
) -> Gaussian:
    """
    Condition the prior on soft measurements of the state of charge.

    Parameters
    ----------
    linear : Linear
        The charge balance.
    index : (a,) int64
        Grid points measured.
    value, std : (a,) float64
        What each says, and its standard deviation. [1]

    Returns
    -------
    posterior : Gaussian
        Joint over the unknowns.

    References
    ----------
    .. [1] Conditioning of a joint Gaussian. Common practice, no source.
    """
    prior = np.diag(1.0 / linear.std**2)
    rows = linear.rows[index] / std[:, None]
    resid = (value - linear.base[index] - linear.rows[index] @ linear.mean) / std
    covariance = np.linalg.inv(prior + rows.T @ rows).astype(np.float64)
    return Gaussian(
        mean=linear.mean + covariance @ (rows.T @ resid), covariance=covariance
    )


def spread(rows: FloatArray, covariance: FloatArray) -> FloatArray:
    """Give the standard deviation of ``rows @ x``, (m,)."""
    variance = np.einsum("ij,jk,ik->i", rows, covariance, rows)
    out: FloatArray = np.sqrt(np.maximum(variance, 0.0))
    return out
