"""How far under-dosed water falls short of its target: in logs, by what organisms survive.

A dose under target is no yes or no. What counts is how many more organisms are left alive than the unit's own
target would leave: the shortfall in logs, of the organism for which it is largest. Water that mixes is judged by
the mean of what survives in its parts, never by a mean of logs.
"""

from __future__ import annotations

from enum import StrEnum
from functools import lru_cache

import numpy as np
import numpy.typing as npt

Floats = npt.NDArray[np.float64]


class Severity(StrEnum):
    """How much treatment water may have missed."""

    MARGINAL = "marginal"  # by the best estimate none; the lower bound alone is short, and by little
    UNDER_TREATED = "under-treated"  # lit, and at least a stated share of the target is known
    UNTREATED = "untreated"  # dark, failed, cold, far too little, or not known


class Organism(StrEnum):
    """A target organism of the rule."""

    CRYPTOSPORIDIUM = "cryptosporidium"
    GIARDIA = "giardia"
    VIRUS = "virus"


# 40 CFR 141.720(d)(1), UV dose table, mJ/cm2 of validated dose at 254 nm; models/SOURCES.md
# section 1: values seen in a secondary copy (S1), order and column heads from memory.
CREDITS_LOG = np.array([0.5, 1.0, 1.5, 2.0, 2.5, 3.0, 3.5, 4.0])
DOSES_MJ_CM2: dict[Organism, Floats] = {
    Organism.CRYPTOSPORIDIUM: np.array([1.6, 2.5, 3.9, 5.8, 8.5, 12.0, 15.0, 22.0]),
    Organism.GIARDIA: np.array([1.5, 2.1, 3.0, 5.2, 7.7, 11.0, 15.0, 22.0]),
    Organism.VIRUS: np.array([39.0, 58.0, 79.0, 100.0, 121.0, 143.0, 163.0, 186.0]),
}
PROTOZOA = (Organism.CRYPTOSPORIDIUM, Organism.GIARDIA)

# Rotavirus: near first order, about 10 mJ/cm2 a log; models/SOURCES.md section 14, the number from memory.
ROTAVIRUS_MJ_CM2_A_LOG = 10.0
MOST_LOG = 4.0  # that the protozoa and rotavirus count up to: the table's last row
# Above it the table's virus row joins: so far the protozoa and rotavirus alone say what a target is for (NSF/ANSI
# 55 class A, SOURCES.md section 5).
VIRUS_JOINS_ABOVE_MJ_CM2 = 40.0

BEYOND_THE_TABLE = 1000  # steps like the virus row's last: further than any target
MARGINAL_LOG = 0.5  # the most that marginal water falls short; one step of the table. Common practice, no source
PROTOZOA_KEPT_LOG = 3.0  # that both protozoa keep in water that is marginal or under-treated: the table's 3 log
# Of the month's water may fall short before marginal water becomes an advisory. 40 CFR 141.720(d)(3)(ii), from
# memory, as a figure of reference: 95 % within specification.
MARGINAL_SHARE_OF_MONTH = 0.05


def reductions_log(dose_mj_cm2: npt.ArrayLike, dose_target_mj_cm2: float) -> Floats:
    """Reduction of each organism that a target is judged by.

    Parameters
    ----------
    dose_mj_cm2 : array_like, shape (n,)
        For a decision the lower bound of a validated dose; NaN, not known, reduces nothing. [mJ/cm2]
    dose_target_mj_cm2 : float
        Decides which organisms count. [mJ/cm2]

    Returns
    -------
    reduction : ndarray, shape (organisms, n)
        Cryptosporidium, Giardia, rotavirus, at most `MOST_LOG` each; for targets above 40 mJ/cm2 the table's virus
        row too, uncapped. Linear between the table's rows, and beyond the virus row's last as between its last two:
        for severity alone, the credit that is shown stays in steps.

    References
    ----------
    .. [1] 40 CFR 141.720(d)(1) and Chang et al. 1985: models/SOURCES.md, sections 1 and 14.
    """
    dose = np.atleast_1d(np.nan_to_num(np.asarray(dose_mj_cm2, dtype=float), nan=0.0, posinf=np.inf))
    rows = [np.interp(dose, *_curve(one)) for one in PROTOZOA]
    rows.append(np.minimum(dose / ROTAVIRUS_MJ_CM2_A_LOG, MOST_LOG))
    if dose_target_mj_cm2 > VIRUS_JOINS_ABOVE_MJ_CM2:
        rows.append(np.interp(dose, *_curve(Organism.VIRUS)))
    return np.array(rows)


def _curve(organism: Organism) -> tuple[Floats, Floats]:
    """An organism's doses and reductions, from nothing on; the virus row goes on as between its last two."""
    doses, logs = np.append(0.0, DOSES_MJ_CM2[organism]), np.append(0.0, CREDITS_LOG)
    if organism is Organism.VIRUS:
        doses, logs = (np.append(one, one[-1] + BEYOND_THE_TABLE * (one[-1] - one[-2])) for one in (doses, logs))
    return doses, logs


def shortfall_log(dose_low_mj_cm2: npt.ArrayLike, dose_target_mj_cm2: float) -> Floats:
    """The largest loss of reduction against the target over the reference organisms; 0 at the target and above.

    Examples
    --------
    Target 40: rotavirus counts 4 log there. 37.5 gives it 3.75, so 0.25 log short; Cryptosporidium still has its 4.
    20: rotavirus 2, so 2 log short. Dark or unknown: 4.

    >>> shortfall_log([40.0, 37.5, 20.0, float("nan")], 40.0).round(3).tolist()
    [0.0, 0.25, 2.0, 4.0]
    """
    asked = reductions_log(dose_target_mj_cm2, dose_target_mj_cm2)
    lost: Floats = np.maximum(asked - reductions_log(dose_low_mj_cm2, dose_target_mj_cm2), 0.0).max(axis=0)
    return lost


def mixture_shortfall_log(
    dose_low_mj_cm2: npt.ArrayLike, volume_l: npt.ArrayLike, dose_target_mj_cm2: float
) -> float:
    """Shortfall of water that was mixed of parts.

    Parameters
    ----------
    dose_low_mj_cm2, volume_l : array_like, shape (n,)
        Of each part; a dose of NaN counts as none. [mJ/cm2], [L]
    dose_target_mj_cm2 : float
        [mJ/cm2]

    Returns
    -------
    shortfall : float
        -log10 of the volume-weighted mean of what survives, against the target's. 0 where there is no water.

    Examples
    --------
    10 L untreated in 90 L at 40 mJ/cm2: a tenth of the rotavirus lives, 1 log is left of 4. A mean of logs would
    have said 3.6.

    >>> round(mixture_shortfall_log([0.0, 40.0], [10.0, 90.0], 40.0), 2)
    3.0
    """
    volume = np.atleast_1d(np.asarray(volume_l, dtype=float))
    if not volume.sum() > 0:
        return 0.0
    asked = reductions_log(dose_target_mj_cm2, dose_target_mj_cm2)[:, 0]
    left = -np.log10(mean_surviving(dose_low_mj_cm2, volume, dose_target_mj_cm2))
    return float(np.maximum(asked - left, 0.0).max())


def mean_surviving(
    dose_low_mj_cm2: npt.ArrayLike, volume_l: npt.ArrayLike, dose_target_mj_cm2: float
) -> Floats:
    """Volume-weighted mean share of each organism that survives, shape (organisms,); an infinite part is all."""
    surviving = 10.0 ** -reductions_log(dose_low_mj_cm2, dose_target_mj_cm2)
    mean: Floats = surviving @ _shares(volume_l)
    return mean


def _shares(volume_l: npt.ArrayLike) -> Floats:
    """The share of each part in a mixture; an infinite part is all."""
    volume = np.atleast_1d(np.asarray(volume_l, dtype=float))
    endless = np.isinf(volume)
    weight = endless.astype(float) if endless.any() else volume
    return np.asarray(weight / weight.sum())


def times_over(
    dose_low_mj_cm2: npt.ArrayLike, dose_target_mj_cm2: float, most_log: float = MARGINAL_LOG
) -> Floats:
    """How many times over what may be left each part of under-dosed water is by itself, shape (organisms, n).

    Shares of the parts, multiplied by it and added up, are clean up to 1 for every organism: `share_allowed`, put
    so that parts add up. A part above the target makes up for none below it.
    """
    good = 10.0 ** -reductions_log(dose_target_mj_cm2, dose_target_mj_cm2)
    bad = 10.0 ** -reductions_log(dose_low_mj_cm2, dose_target_mj_cm2)
    over: Floats = np.maximum((bad - good) / (good * (10.0**most_log - 1.0)), 0.0)
    return over


def share_allowed(
    dose_low_mj_cm2: npt.ArrayLike, volume_l: npt.ArrayLike, dose_target_mj_cm2: float,
    most_log: float = MARGINAL_LOG,
) -> float:
    """How much of under-dosed water may be left in water dosed at its target.

    Parameters
    ----------
    dose_low_mj_cm2, volume_l : array_like, shape (n,)
        Of the parts that the under-dosed water was mixed of; a dose of NaN counts as none. [mJ/cm2], [L]
    dose_target_mj_cm2 : float
        [mJ/cm2]
    most_log : float
        By how much the mixture may fall short. [log]

    Returns
    -------
    share : float
        0..1, the largest at which no reference organism falls short by more. 1 where there is no such water.

    Notes
    -----
    With t what survives at the target and b in the under-dosed water, f b + (1 - f) t = t 10^most:
    f = t (10^most - 1) / (b - t). Of the protozoa a target above their 4 log leaves as little as 4 log do.

    Examples
    --------
    Untreated water at a target of 40: 1e-4 x (3.162 - 1) / (1 - 1e-4).

    >>> round(share_allowed(0.0, 10.0, 40.0), 6)
    0.000216
    """
    if not np.sum(np.asarray(volume_l, dtype=float)) > 0:
        return 1.0
    over = times_over(dose_low_mj_cm2, dose_target_mj_cm2, most_log) @ _shares(volume_l)
    return float(1.0 / max(1.0, over.max()))


@lru_cache(maxsize=1024)  # asked for every unit of a round, of a few kinds
def marginal_from_mj_cm2(dose_target_mj_cm2: float, protozoa_from_mj_cm2: float) -> float:
    """The lower bound of dose from which on water under target is at most marginal. [mJ/cm2]

    Parameters
    ----------
    dose_target_mj_cm2 : float
        [mJ/cm2]
    protozoa_from_mj_cm2 : float
        At which both protozoa keep `PROTOZOA_KEPT_LOG`. [mJ/cm2]

    Returns
    -------
    dose : float
        At which no organism falls short by more than `MARGINAL_LOG`, and at least `protozoa_from_mj_cm2`: 35 at a
        target of 40, by rotavirus.
    """
    asked = reductions_log(dose_target_mj_cm2, dose_target_mj_cm2)[:, 0] - MARGINAL_LOG
    doses = []
    for number, one in enumerate(PROTOZOA):
        at, logs = _curve(one)
        doses.append(float(np.interp(asked[number], logs, at)))
    doses.append(asked[2] * ROTAVIRUS_MJ_CM2_A_LOG)
    if asked.size > len(PROTOZOA) + 1:
        at, logs = _curve(Organism.VIRUS)
        doses.append(float(np.interp(asked[3], logs, at)))
    return max(0.0, *doses, protozoa_from_mj_cm2)


def under_treated_from_mj_cm2(
    dose_target_mj_cm2: float, protozoa_from_mj_cm2: float, partial_share: float
) -> float:
    """The lower bound of dose from which on lit water is no worse than under-treated. [mJ/cm2]

    Parameters
    ----------
    dose_target_mj_cm2, protozoa_from_mj_cm2 : float
        As of `marginal_from_mj_cm2`. [mJ/cm2]
    partial_share : float
        Of the target, 0..1: the fleet's policy, half by default.
    """
    return max(partial_share * dose_target_mj_cm2, protozoa_from_mj_cm2)
