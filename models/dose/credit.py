"""Log credit by the dose table of 40 CFR 141.720(d)(1), and the share of water in specification.

The rule binds public water systems in the United States that treat surface water or groundwater under its
influence. A cabin isn't one: its figures here are a reference, no proof of compliance.
"""

from __future__ import annotations

import math
from functools import lru_cache

import numpy as np
import pandas as pd
from numpy.typing import ArrayLike

from models.bisection import least_enough
from models.dose import hydraulics
from models.dose.mixing import fit
from models.dose.optics import Floats
from models.fleet import Reactor
from models.shortfall import (
    CREDITS_LOG,
    DOSES_MJ_CM2,
    MARGINAL_SHARE_OF_MONTH,
    PROTOZOA,
    PROTOZOA_KEPT_LOG,
    Organism,
)

# 40 CFR 141.720(d)(3)(ii), from memory: share of each month's water treated within validated conditions.
IN_SPECIFICATION_AT_LEAST_PCT = 100.0 * (1.0 - MARGINAL_SHARE_OF_MONTH)

CREDIT_STEP_LOG = 0.5
SHARES_OF_WATER = 4096  # the mixture's reduction is then within 0.001 log
MOST_DOSE_MJ_CM2 = 1000.0  # beyond, every share of the water is past the table

_STEPS = np.concatenate(([0.0], CREDITS_LOG))


def log_credit(dose_mj_cm2: ArrayLike, organism: str) -> Floats:
    """Credit of a validated dose: the highest row of the table that it reaches.

    Parameters
    ----------
    dose_mj_cm2 : array_like
        Validated dose, so reduction equivalent dose over validation factor. For a decision hand in its lower
        bound. [mJ/cm2]
    organism : str
        "cryptosporidium", "giardia" or "virus".

    Returns
    -------
    credit_log : ndarray, same shape
        0.0 below the first row, never between rows and never above 4.0; NaN where the dose is NaN.

    Raises
    ------
    ValueError
        If the organism is not in the table, or a dose is negative.

    Notes
    -----
    The rule doesn't define values between its rows, so none are given (interpretation, from memory).

    References
    ----------
    .. [1] 40 CFR 141.720(d)(1).
    """
    doses = _row(organism)
    dose = np.asarray(dose_mj_cm2, dtype=float)
    if (dose < 0).any():
        index = int(np.flatnonzero(dose < 0)[0])
        raise ValueError(f"dose_mj_cm2 must be at least 0; got {float(dose.flat[index])!r} at index {index}")
    credit = _STEPS[np.searchsorted(doses, dose, side="right")]
    return np.where(np.isnan(dose), np.nan, credit)[()]


def _row(organism: str) -> Floats:
    """The table's doses of an organism. [mJ/cm2]"""
    try:
        return DOSES_MJ_CM2[Organism(organism)]
    except ValueError:
        known = ", ".join(Organism)
        raise ValueError(f"organism must be one of {known}; got {organism!r}") from None


@lru_cache(maxsize=64)
def _doses_over_mean(tanks: float) -> Floats:
    """Doses that equal shares of the water get, over the mean dose: middles of the age density's quantiles.

    Of n equal mixed tanks the density is a gamma's with shape n (`models.dose.hydraulics.exit_age_density`).
    """
    if math.isinf(tanks):  # plug flow: all of it gets the mean
        return np.ones(1)
    from scipy.special import gammaincinv  # a tenth of a second to load

    share = (np.arange(SHARES_OF_WATER) + 0.5) / SHARES_OF_WATER
    return np.asarray(gammaincinv(tanks, share) / tanks)


def own_reduction_log(reactor: Reactor, dose_mj_cm2: float, organism: str) -> float:
    """Reduction of an organism by its own response to the doses behind a validated dose. [log]

    Parameters
    ----------
    reactor : Reactor
        Its tanks, the fewest that its test does not rule out, and the response of its challenge organism give the
        doses that the water got.
    dose_mj_cm2 : float
        Validated dose. [mJ/cm2]
    organism : str
        As for `log_credit`.

    Returns
    -------
    reduction : float
        At most 4; NaN where the dose is.

    Notes
    -----
    The dose of a challenge organism is that of a collimated beam with the same reduction. The water behind it got
    unequal doses, and an organism that is more sensitive than the challenge lives on in what got least: in the same
    water its reduction equivalent dose is lower. This is why the guidance manual divides by a bias factor B_RED
    (SOURCES.md section 2, from memory). The organism's response is the table's, linear between its rows, and 4 log
    beyond the last; the reduction is that of the mixture, -log10 of the mean surviving share.
    """
    doses = _row(organism)
    if math.isnan(dose_mj_cm2):
        return math.nan
    k = reactor.challenge_k_cm2_mj
    tanks = fit(reactor).fewest_tanks
    mean = float(hydraulics.mean_dose(dose_mj_cm2, k_cm2_mj=k, tanks=tanks))
    response = np.interp(
        mean * _doses_over_mean(tanks), np.concatenate(([0.0], doses)), _STEPS)
    return float(-np.log10(np.mean(10.0**-response)))


def bias_factor(reactor: Reactor, dose_mj_cm2: float, organism: str) -> float:
    """Validated dose over the dose that the table asks for the organism's own reduction in the same water. [-]

    The reduction equivalent dose bias (B_RED), at least 1; NaN where nothing is reduced.
    """
    own = own_reduction_log(reactor, dose_mj_cm2, organism)
    equal = float(np.interp(own, _STEPS, np.concatenate(([0.0], _row(organism)))))
    return max(1.0, dose_mj_cm2 / equal) if equal > 0 else math.nan


@lru_cache(maxsize=256)
def protozoa_from_mj_cm2(reactor: Reactor, log: float = PROTOZOA_KEPT_LOG) -> float:
    """The validated dose at which both protozoa are reduced by so much in this reactor. [mJ/cm2]

    The table's dose, or the one at which the organism's own response reaches it where that is more
    (`own_reduction_log`); inf where no dose does.
    """
    return max(_dose_for(reactor, log, one) for one in PROTOZOA)


def _dose_for(reactor: Reactor, log: float, organism: Organism) -> float:
    table = float(np.interp(log, _STEPS, np.append(0.0, DOSES_MJ_CM2[organism])))

    def enough(dose: float) -> bool:
        return own_reduction_log(reactor, dose, organism) >= log

    if not enough(MOST_DOSE_MJ_CM2):
        return math.inf
    return least_enough(enough, table, MOST_DOSE_MJ_CM2, within=1e-6)


def credit_in(reactor: Reactor, dose_mj_cm2: float, organism: str) -> float:
    """Credit of a dose given by this reactor: the table's, or the organism's own where that is less. [log]

    Parameters
    ----------
    reactor : Reactor
    dose_mj_cm2 : float
        For a decision its lower bound. [mJ/cm2]
    organism : str

    Returns
    -------
    credit : float
        In steps of 0.5, as `log_credit`. A validation factor that holds the bias already counts it twice, which
        errs on the safe side.
    """
    table = float(log_credit(dose_mj_cm2, organism))
    if math.isnan(table):
        return table
    own = own_reduction_log(reactor, min(dose_mj_cm2, MOST_DOSE_MJ_CM2), organism)
    return min(table, math.floor(own / CREDIT_STEP_LOG + 1e-9) * CREDIT_STEP_LOG)


def share_in_specification(volume_l: ArrayLike, in_specification_l: ArrayLike, month: ArrayLike) -> pd.DataFrame:
    """Share of each month's water that was treated in specification, against the rule's 95 % by volume.

    Parameters
    ----------
    volume_l : array_like, shape (n,)
        Water drawn in each interval; its upper bound where it's only bounded. [L]
    in_specification_l : array_like, shape (n,)
        That part of it which is known to have been in specification; NaN, unknown, counts as none. [L]
    month : array_like, shape (n,)
        The month that each interval belongs to, in the cabin's time zone, such as "2026-07".

    Returns
    -------
    DataFrame, indexed by month
        volume_l, in_specification_l, share_pct (NaN for a month without water or with an unknown volume) and
        reaches_95_pct (False where the share is unknown).

    Raises
    ------
    ValueError
        If a volume is negative or the part exceeds the whole.

    Notes
    -----
    The 95 % binds public systems only; here it is a figure of reference.

    References
    ----------
    .. [1] 40 CFR 141.720(d)(3)(ii), from memory (SOURCES.md section 1).
    """
    volume, inside = (np.asarray(x, dtype=float) for x in (volume_l, in_specification_l))
    inside = np.where(np.isnan(inside), 0.0, inside)
    for name, wrong in (
        ("volume_l must be at least 0", volume < 0),
        ("in_specification_l must be at least 0", inside < 0),
        ("in_specification_l must be at most volume_l", inside > volume * (1 + 1e-12)),
    ):
        if wrong.any():
            raise ValueError(f"{name}; it isn't at index {int(np.flatnonzero(wrong)[0])}")
    frame = pd.DataFrame(
        {"volume_l": volume, "in_specification_l": inside, "month": np.asarray(month)}
    )
    months = frame.groupby("month", sort=True)
    total = months["volume_l"].agg(lambda litres: litres.sum(skipna=False))
    result = pd.DataFrame({"volume_l": total, "in_specification_l": months["in_specification_l"].sum()})
    result["share_pct"] = np.where(
        total > 0, 100.0 * result["in_specification_l"] / total.replace(0.0, np.nan), np.nan
    )
    result["reaches_95_pct"] = result["share_pct"] >= IN_SPECIFICATION_AT_LEAST_PCT
    return result


def specification_by(hours: pd.DataFrame, key: ArrayLike) -> pd.DataFrame:
    """How much water was lit, warm and at its dose, for certain and at most, per key.

    Parameters
    ----------
    hours : DataFrame
        volume_l, volume_l_upper, in_spec_l, underdosed_l, underdosed_l_upper of each period; NaN is not known. [L]
    key : array_like, shape (n,)
        What each period belongs to: a month, or a unit of one.

    Returns
    -------
    DataFrame, indexed by key
        volume_l (as far as it is known), volume_l_upper (the most that can have been drawn), in_specification_l
        (for certain), underdosed_l, underdosed_l_upper, share_pct and share_most_pct (the least and the most share;
        NaN where no water was drawn), reaches_95_pct (by the least).
    """
    known = {name: hours[name].fillna(0.0).to_numpy(dtype=float) for name in (
        "volume_l", "volume_l_upper", "in_spec_l", "underdosed_l", "underdosed_l_upper")}
    inside, outside = known["in_spec_l"], known["underdosed_l"]
    outside_most = np.maximum(known["underdosed_l_upper"], outside)
    share = share_in_specification(inside + outside_most, inside, key)
    sums = pd.DataFrame(known | {"underdosed_l_upper": outside_most}).groupby(np.asarray(key), sort=True).sum()
    drawn = sums["in_spec_l"] + sums["underdosed_l"]
    most = np.where(drawn > 0, 100.0 * sums["in_spec_l"] / drawn.where(drawn > 0, np.nan), 100.0)
    return pd.DataFrame({
        "volume_l": sums["volume_l"], "volume_l_upper": np.maximum(sums["volume_l"], sums["volume_l_upper"]),
        "in_specification_l": sums["in_spec_l"], "underdosed_l": sums["underdosed_l"],
        "underdosed_l_upper": sums["underdosed_l_upper"], "share_pct": share["share_pct"],
        "share_most_pct": np.where(share["share_pct"].notna(), most, np.nan),
        "reaches_95_pct": share["reaches_95_pct"]})
