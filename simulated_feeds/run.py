"""Runs of simulated units: as frames over any time, and on from where the frames ended."""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from dataclasses import dataclass
from datetime import datetime, timedelta
from functools import partial
from typing import Any

import numpy as np
import pandas as pd

from simulated_feeds import logger, unit
from simulated_feeds.ahead import ahead
from simulated_feeds.scenario import Nature, Site, nature_of, sites
from simulated_feeds.service import Job
from simulated_feeds.streams import DAY_S

WARM_DAYS = 120  # a run begins so long before its `now`, unless told otherwise
CHUNK_DAYS = 30  # days computed at once; any number gives the same run
READING_COLUMNS = ("lamp_on", "power_on", *logger.COLUMNS)


@dataclass(frozen=True, slots=True)
class Frames:
    """What one unit did over a time, and what its logger made of it.

    Attributes
    ----------
    readings : DataFrame
        One row per instant, in order of delivery: `at` (as the logger's clock had it), `lamp_on`, `power_on`,
        `intensity_w_m2` ... `lamp_hours` as the store names them, and `true_at`, `sent_at` (NaT: its link was
        not up again before the end). A row of an event holds only the flags that changed.
    truth : DataFrame
        At the cadence, heard or not; never published. `lamp_output` (over the rating, with temperature),
        `lamp_log_output` (without), `sleeve_transmittance`, `uvt_pct`, `water_temp_c`, `power_on`, `lamp_on`,
        and totals that run from the run's origin on: `total_l` (the meter's), `dark_l` (past a dark lamp),
        `warming_l`, `underdosed_l` (true dose below the target, which includes the dark), `surviving_l` (litres
        times the share of rotavirus that lives on in them). `dose_mj_cm2`: of the water that flows then, else NaN.
    service : DataFrame
        What was done: `at`, `kind`, `who`, `value`, `note`, and `recorded`: False where nobody wrote it down,
        which is truth and must not reach a store.
    links : DataFrame
        `at`, `up`; the first row says how the link stood at the start.
    """

    readings: pd.DataFrame
    truth: pd.DataFrame
    service: pd.DataFrame
    links: pd.DataFrame


def unix_s(at: datetime) -> float:
    """Unix time of an aware datetime; a naive one is refused. [s]"""
    if at.tzinfo is None:
        raise ValueError(f"a time needs its zone, like 2026-11-25T12:00:00+00:00; got {at!r}")
    return at.timestamp()


def instants(seconds: np.ndarray) -> pd.DatetimeIndex:
    """UTC instants; negative seconds are NaT."""
    stamps = np.where(seconds < 0, np.datetime64("NaT", "us"),
                      (seconds * 1_000_000).astype("datetime64[us]"))
    return pd.DatetimeIndex(stamps).tz_localize("UTC")


class UnitRun:
    """One unit from a first day on, chunk by chunk, with the rows that its logger still holds.

    Parameters
    ----------
    site : Site
    origin : datetime
        Aware; the run begins at its midnight UTC.
    now : datetime
        Aware; scripted faults are relative to it.
    seed : int
    """

    def __init__(self, site: Site, *, origin: datetime, now: datetime, seed: int) -> None:
        self.site, self.seed, self.now_s = site, seed, unix_s(now)
        first_day = int(unix_s(origin) // DAY_S)
        self._state = unit.first_state(site, seed, first_day, self.now_s)
        self._held: list[logger.Rows] = []
        self._links: list[np.ndarray] = []
        self._delivered_s: float = first_day * DAY_S
        self.link_up = True  # at the instant until which rows were delivered

    def advance(self, end_s: float) -> list[unit.Block]:
        """Blocks of whole days until one holds `end_s`; none if that is computed already."""
        end_day, blocks = int(-(-end_s // DAY_S)), []
        while self._state.day < end_day:
            until = min(self._state.day + CHUNK_DAYS, end_day)
            done, self._state = unit.block(self.site, self.seed, self._state, until, self.now_s)
            self._held.append(done.rows)
            self._links.append(done.links)
            blocks.append(done)
        return blocks

    def deliver(self, until_s: float) -> tuple[logger.Rows, np.ndarray]:
        """Rows and link changes that reach the broker from the last call on until (not at) `until_s`.

        Rows that were held back come with the instant at which the link was up again.
        """
        self.advance(until_s)
        links = np.concatenate([np.empty((0, 2), dtype=np.int64), *self._links])
        rows = _resolved(logger.Rows.joined(self._held), links)
        due = (rows.sent_s != logger.NOT_SENT) & (rows.sent_s < until_s)
        gone = links[:, 0] < until_s
        # the last change stays known: rows held from a later day need it
        new = links[gone & (links[:, 0] >= self._delivered_s)]
        if gone.any():
            self.link_up = bool(links[gone][-1, 1])
        self._held = [rows.taken(~due)]
        self._links = [links[np.searchsorted(links[:, 0], until_s) - 1:] if gone.any() else links]
        self._delivered_s = max(self._delivered_s, until_s)
        return rows.taken(np.flatnonzero(due)[np.argsort(rows.sent_s[due], kind="stable")]), new


def _resolved(rows: logger.Rows, links: np.ndarray) -> logger.Rows:
    """Rows of days that ended without a link, sent when a later day brought it back."""
    waiting = np.flatnonzero(rows.sent_s == logger.NOT_SENT)
    ups = links[links[:, 1] == 1, 0]
    following = np.searchsorted(ups, rows.true_s[waiting])
    found = following < len(ups)
    if not found.any():
        return rows
    sent_s = rows.sent_s.copy()
    sent_s[waiting[found]] = ups[following[found]]
    return logger.Rows(rows.at_s, rows.true_s, sent_s, rows.power_on, rows.lamp_on, rows.columns)


def readings_frame(rows: logger.Rows) -> pd.DataFrame:
    """Rows as a frame with the store's column names."""
    def flag(values: np.ndarray) -> pd.arrays.BooleanArray:
        return pd.arrays.BooleanArray(values == 1, values < 0)

    return pd.DataFrame({
        "at": instants(rows.at_s), "lamp_on": flag(rows.lamp_on), "power_on": flag(rows.power_on),
        **{column: rows.columns[column] for column in logger.COLUMNS},
        "true_at": instants(rows.true_s), "sent_at": instants(rows.sent_s)})


def _service_frame(jobs: list[Job]) -> pd.DataFrame:
    return pd.DataFrame({
        "at": instants(np.array([job.at_s for job in jobs], dtype=np.int64)),
        "kind": pd.array([job.kind for job in jobs], dtype="str"),
        "who": pd.array([job.who for job in jobs], dtype="str"),
        "value": np.array([job.value for job in jobs], dtype=float),
        "note": pd.array([job.note for job in jobs], dtype="str"),
        "recorded": np.array([job.recorded for job in jobs], dtype=bool)})


def frames_of(run: UnitRun, start: datetime, end: datetime) -> Frames:
    """Frames of a fresh run over [start, end): readings by when they were sent, or are still held."""
    start_s, end_s = unix_s(start), unix_s(end)
    blocks = run.advance(end_s)
    rows, links = run.deliver(end_s)
    inside = rows.true_s >= start_s
    truth = {name: np.concatenate([one.truth[name] for one in blocks]) for name in blocks[0].truth}
    keep = (truth["at_s"] >= start_s) & (truth["at_s"] < end_s)
    frame = pd.DataFrame({"at": instants(truth.pop("at_s")), **truth})
    jobs = [job for one in blocks for job in one.jobs if start_s <= job.at_s < end_s]
    before = links[links[:, 0] <= start_s]
    links = links[(links[:, 0] > start_s) & (links[:, 0] < end_s)]
    if len(before):
        links = np.concatenate([[[int(start_s), before[-1, 1]]], links])
    return Frames(
        readings_frame(rows.taken(inside)), frame[keep].reset_index(drop=True), _service_frame(jobs),
        pd.DataFrame({"at": instants(links[:, 0]), "up": links[:, 1] == 1}))


def default_origin(start: datetime, now: datetime) -> datetime:
    """Where a run begins unless told: early enough that a history of `WARM_DAYS` and its live feed are one run."""
    return min(start, now - timedelta(days=WARM_DAYS))


def simulate(
    unit_spec: Mapping[str, Any], reactor_spec: Mapping[str, Any], cabin_spec: Mapping[str, Any],
    start: datetime, end: datetime, seed: int, *, now: datetime | None = None, nature: Nature | None = None,
) -> Frames:
    """One unit over [start, end).

    Parameters
    ----------
    unit_spec, reactor_spec, cabin_spec : mapping
        Tables `[[cabin.unit]]`, `[[reactor]]`, `[[cabin]]` of a fleet.toml.
    start, end : datetime
        Aware. The run begins `WARM_DAYS` before `now`, or at `start` where that is earlier.
    seed : int
        The same seed gives the same run, whatever the size of the chunks.
    now : datetime, optional
        What scripted faults are relative to; None: `end`.
    nature : Nature, optional
        What the registry does not know; None: as `nature_of` has it.

    Returns
    -------
    Frames
        Only readings that were sent before `end`.

    Raises
    ------
    ValueError
        If a time has no zone, or `end` is before `start`.
    """
    _require_order(start, end)
    site = Site.from_tables(unit_spec, reactor_spec, cabin_spec, nature or nature_of(cabin_spec["slug"], seed))
    run = UnitRun(site, origin=default_origin(start, now or end), now=now or end, seed=seed)
    return frames_of(run, start, end)


def _require_order(start: datetime, end: datetime) -> None:
    if not unix_s(start) <= unix_s(end):
        raise ValueError(f"end must not be before start {start}; got {end}")


def history_frames(
    fleet: Mapping[str, Any], start: datetime, end: datetime, seed: int, *, now: datetime | None = None,
    origin: datetime | None = None, apart: bool = False,
) -> Iterator[tuple[str, str, Frames]]:
    """The past of a whole fleet, unit by unit.

    Parameters
    ----------
    fleet : mapping
        A fleet.toml as tomllib reads it.
    start, end : datetime
        Aware.
    seed : int
    now : datetime, optional
        What scripted faults are relative to; None: `end`.
    origin : datetime, optional
        Where the run begins; None: `WARM_DAYS` before `now`, or `start` where that is earlier.
    apart : bool
        Have another process simulate, a unit ahead of what the caller does with the last one.

    Yields
    ------
    cabin, unit : str
        Slugs.
    frames : Frames
        What had been sent by `end`; a live feed of the same seed, `origin` and `now` goes on from it.
    """
    _require_order(start, end)
    now = now or end
    span = (start, end, origin or default_origin(start, now), now)
    jobs = (partial(_told_by, site, span, seed) for site in sites(fleet, seed))
    for site, frames in zip(sites(fleet, seed), ahead(jobs) if apart else (job() for job in jobs), strict=True):
        yield site.cabin, site.unit, frames


def _told_by(site: Site, span: tuple[datetime, datetime, datetime, datetime], seed: int) -> Frames:
    """The frames of one unit over a span: start, end, origin and now."""
    start, end, origin, now = span
    return frames_of(UnitRun(site, origin=origin, now=now, seed=seed), start, end)
