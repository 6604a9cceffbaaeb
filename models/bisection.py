"""How little is enough: the least litres or dose at which something holds.

By halving, and not by a library's root-finder: it cannot fail, and what it gives is enough, never a little less.
`scipy.optimize` would take a tenth of a second and 25 MB of every process that judges, for this alone.
"""

from __future__ import annotations

from collections.abc import Callable

__all__ = ["least_enough"]


def least_enough(enough: Callable[[float], bool], low: float, high: float, *, within: float = 1e-9) -> float:
    """The least value from `low` to `high` that is enough; of what is enough, more is enough too.

    Parameters
    ----------
    enough : callable
        Whether a value is enough.
    low, high : float
        Where to look; `high` is enough. In the unit of what is asked for.
    within : float
        How much more than the least it may be. Same unit.

    Returns
    -------
    value : float
        Enough; `low` where that is.
    """
    if enough(low):
        return low
    while high - low > within:
        middle = low + (high - low) / 2
        if middle in (low, high):  # no number lies between
            break
        low, high = (low, middle) if enough(middle) else (middle, high)
    return high
