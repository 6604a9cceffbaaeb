"""From the stated uncertainties of sensor, flow and transmittance to a 95 % lower bound.

Uncertainties are stated as half-widths of 95 % two-sided intervals of a normal error. The bound is one-sided.
"""

from __future__ import annotations

import numpy as np
from numpy.typing import ArrayLike

from models.dose.optics import Floats

TWO_SIDED_95 = 1.959963984540054  # normal quantile 0.975
ONE_SIDED_95 = 1.6448536269514722  # normal quantile 0.95
ONE_SIDED_OVER_TWO_SIDED = ONE_SIDED_95 / TWO_SIDED_95


def lower_share(*drops: ArrayLike) -> Floats:
    """The share of a product of independent quantities that is reached with 95 % confidence.

    Parameters
    ----------
    *drops : array_like
        For each quantity, the share by which the product falls when that quantity alone is wrong by its 95 %
        half-width, in the direction that hurts; at least 0. They broadcast. [-]

    Returns
    -------
    share : ndarray
        1 - 1.645/1.960 x sqrt(sum of squares), never below 0, NaN where a drop is NaN.

    Notes
    -----
    First order with finite differences, linear and not exponential: the product's true 5 % quantile lies at
    or above it for errors up to about 30 % (checked against Monte Carlo in tests/models/dose/test_bound.py),
    so what is left out errs on the safe side.

    References
    ----------
    .. [1] JCGM 100:2008 (GUM), 5.1.2, law of propagation of uncertainty (from memory).
    """
    squares = sum(np.square(np.asarray(drop, dtype=float)) for drop in drops)
    return np.asarray(np.maximum(0.0, 1.0 - ONE_SIDED_OVER_TWO_SIDED * np.sqrt(squares)))
