"""People who draw water: mornings, evenings, cleaning on changeover days; nobody in an empty cabin."""

from __future__ import annotations

from datetime import UTC, date, datetime, timedelta
from zoneinfo import ZoneInfo

import numpy as np
from numpy.typing import NDArray

from simulated_feeds.scenario import Site
from simulated_feeds.streams import DAY_S, stream

EPOCH = date(1970, 1, 1)
UL_PER_L = 1_000_000  # volumes are whole microlitres, so that sums do not depend on their order

# Per person and day: how many, litres each, share of the supply's peak flow. Common practice, no source.
HABITS = {
    "tap": (9.0, 1.3, 0.28),
    "toilet": (4.5, 6.0, 0.30),
    "shower": (0.75, 42.0, 0.45),
    "dishes": (0.5, 14.0, 0.38),
}
CLEANING = (5, 30.0, 0.55)  # on a changeover day: draws, litres each, share of peak
FILLING = (0.12, 260.0, 0.97)  # chance a day of filling a tub or pump-can at full flow


def occupied(site: Site, seed: int, day: int) -> tuple[bool, bool]:
    """Whether the cabin sleeps people on that local day, and whether it is a changeover day.

    Parameters
    ----------
    day : int
        Local date as days since 1970-01-01.
    """
    nature = site.nature
    if nature.empty:
        return False, False
    shifted = day + 3 - nature.changeover  # 1970-01-01 was a Thursday, weekday 3
    week, weekday = divmod(shifted, 7)
    if nature.always_occupied:
        return True, weekday == 0
    season = 0.72 + 0.22 * np.cos(2 * np.pi * (day % 365.25 - 205) / 365.25)
    stays = [stream(seed, site.cabin, "stay", day=one).random() < season for one in (week - 1, week)]
    if weekday == 0:
        return stays[0] or stays[1], stays[0] or stays[1]
    return stays[1], False


def _draws_of_day(site: Site, seed: int, day: int) -> NDArray[np.int64]:
    """Draws of one local date: rows of (start, s of local time; length, ticks; rate, uL per tick)."""
    here, changeover = occupied(site, seed, day)
    if not here:
        return np.empty((0, 3), dtype=np.int64)
    rng = stream(seed, site.cabin, site.unit, "draws", day=day)
    people = max(site.nature.people * site.share, 0.5)
    starts, litres, shares = [], [], []
    for often, amount, share in HABITS.values():
        count = int(rng.poisson(often * people))
        when = rng.random(count)
        hour = np.where(when < 0.42, rng.normal(7.6, 1.1, count),
                        np.where(when < 0.85, rng.normal(19.3, 1.8, count), rng.uniform(7, 23.5, count)))
        starts.append(3600 * np.clip(hour, 0.2, 23.9))
        litres.append(amount * rng.lognormal(0.0, 0.35, count))
        shares.append(share * rng.uniform(0.7, 1.25, count))
    if changeover:
        count, amount, share = CLEANING
        starts.append(3600 * rng.uniform(10.5, 15.0, count))
        litres.append(amount * rng.lognormal(0.0, 0.4, count))
        shares.append(share * rng.uniform(0.7, 1.2, count))
    if rng.random() < FILLING[0]:
        starts.append(3600 * rng.uniform(9, 20, 1))
        litres.append(np.array([FILLING[1] * site.share * rng.lognormal(0.0, 0.3)]))
        shares.append(np.array([FILLING[2]]))
    rate_l_s = np.minimum(np.concatenate(shares), 1.0) * site.peak_flow_l_min / 60
    volume_l = np.concatenate(litres)
    ticks = np.maximum(np.round(volume_l / rate_l_s / site.tick_s), 1)
    return np.stack([np.concatenate(starts), ticks, UL_PER_L * volume_l / ticks], axis=1).astype(np.int64)


def demand_ul(site: Site, seed: int, first_day: int, end_day: int, now_s: float) -> NDArray[np.int64]:
    """Water that people ask for in each tick of the UTC days [first_day, end_day).

    Returns
    -------
    ndarray of int, shape (ticks,)
        At most what the supply can deliver. [uL per tick]
    """
    begin_s, tick_s = first_day * DAY_S, site.tick_s
    ticks = (end_day - first_day) * DAY_S // tick_s
    zone = ZoneInfo(site.time_zone)
    parts = []
    for day in range(first_day - 1, end_day + 1):
        draws = _draws_of_day(site, seed, day)
        noon = datetime.combine(EPOCH + timedelta(days=day), datetime.min.time(), UTC) + timedelta(hours=12)
        offset_s = int(noon.astimezone(zone).utcoffset().total_seconds())  # type: ignore[union-attr]
        draws[:, 0] += day * DAY_S - offset_s
        parts.append(draws)
    for fault in site.nature.faults:
        if fault.kind == "draw":
            length = max(round(3600 * (fault.until_h - fault.from_h) / tick_s), 1)
            parts.append(np.array(
                [[now_s + 3600 * fault.from_h, length, UL_PER_L * fault.litres / length]], dtype=np.int64))
    draws = np.concatenate(parts)
    first = (draws[:, 0] - begin_s) // tick_s
    last = np.clip(first + draws[:, 1], 0, ticks)
    change = np.zeros(ticks + 1, dtype=np.int64)
    np.add.at(change, np.clip(first, 0, ticks), draws[:, 2])
    np.subtract.at(change, last, draws[:, 2])
    most = int(site.peak_flow_l_min / 60 * UL_PER_L * tick_s)
    return np.minimum(np.cumsum(change[:-1]), most)
