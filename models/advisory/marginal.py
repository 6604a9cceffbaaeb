"""When does water that is marginal, so short by its lower bound alone and by little, become an advisory?

One litre at 39 mJ/cm2 against a target of 40 is to be seen and counted, not boiled. Much of it, for long, or where
infants or people with weak immunity drink, is another matter.
"""

from __future__ import annotations

from datetime import timedelta

import numpy as np
import numpy.typing as npt

# Over so many days its litres are held against all litres: the month of the rule (`StepPolicy.marginal_share`).
MARGINAL_DAYS = 30
# So long after its last litre a unit is still watched for it, so that somebody sees it; it counts against the month
# all the same. Common practice, no source.
MARGINAL_WATCH = timedelta(hours=24)


def rises(
    *, marginal_l_upper: npt.ArrayLike, volume_l: npt.ArrayLike, unbroken_h: npt.ArrayLike, at_once: npt.ArrayLike,
    share: float, hours: float,
) -> npt.NDArray[np.bool_]:
    """Of which units marginal water asks for an advisory.

    Parameters
    ----------
    marginal_l_upper : array_like, shape (n,)
        The most marginal water that can have passed in the last `MARGINAL_DAYS`, unanswered. [L]
    volume_l : array_like, shape (n,)
        The least of all water that can have passed in these days; NaN, not known, counts as none. [L]
    unbroken_h : array_like, shape (n,)
        For how long it has been so without water in between that met the target. [h]
    at_once : array_like of bool, shape (n,)
        Whether the fleet's policy or the cabin asks for one at the first litre.
    share : float
        Of all water, 0..1.
    hours : float
        [h]

    Notes
    -----
    The share is that of 40 CFR 141.720(d)(3)(ii) (95 % of a month's water in specification; from memory), which
    binds public systems; here it is a figure of reference, taken on the safe side: the most that can be marginal
    against the least that can have been drawn.
    """
    most = np.asarray(marginal_l_upper, float)
    least = np.nan_to_num(np.asarray(volume_l, float), nan=0.0)
    return np.asarray((most > 0) & (
        np.asarray(at_once, bool) | (most > share * least) | (np.asarray(unbroken_h, float) >= hours)))
