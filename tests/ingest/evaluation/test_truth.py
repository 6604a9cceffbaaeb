"""What the store says of simulated cabins, against what the simulator knows to be true of them.

The truth is the simulator's own physics (`simulated_feeds`, which never calls the estimator): running totals of the
water that passed a dark lamp or one still warming. The logger sends what it can: late after lost links, nothing
while it is dead, and for 25 minutes after a reboot with the clock of 1970.

While a lamp warms up, a measured intensity gives the dose (models/exposure/witnesses.py): of the water of
a warm-up that counts which truly missed its dose. All water of a dark lamp counts.
"""

from __future__ import annotations

import tomllib
from dataclasses import dataclass, replace
from datetime import UTC, datetime, timedelta
from functools import cached_property
from typing import Any

import numpy as np
import pandas as pd
import pytest

from ingest import queries
from ingest.evaluation.backfill import take_in
from ingest.registry.tables import load_fleet, new_revision
from ingest.store import Store
from simulated_feeds import fleet_toml, simulate
from simulated_feeds.run import Frames
from simulated_feeds.scenario import Nature, nature_of

NOW = datetime(2026, 11, 25, 16, 0, tzinfo=UTC)
FLEET = tomllib.loads(fleet_toml(12, 1, now=NOW))
METER_L = 0.25  # the meter shows whole tenths of a litre, at both ends of an interval
ROUGH = Nature(cuts_per_year=250, link_losses_per_year=150, always_occupied=True, people=5, quiet_days=0)
DIES = replace(ROUGH, logger_backup_h=0.0, router_backup_h=0.0)
NO_COUNTER = ("intensity", "flow", "total")


@dataclass(frozen=True)
class Case:
    cabin: str
    seed: int
    nature: Nature | None = None  # None: the cabin's own
    days: int = 12


CASES = {
    "a lost link whose backlog holds a cut": Case("otter-ledge", 1),
    "a clock of 1970 after a reboot": Case("cedar-notch", 3),
    "showers in the dark": Case("birch-landing", 1),
    "a solar battery that runs low": Case("pike-narrows", 2, replace(
        nature_of("pike-narrows", 2), panel_w=500, battery_wh=2400, router_backup_h=36.0)),
    "gravity, logger alive": Case("high-spring", 4, ROUGH),
    "gravity, logger dead": Case("high-spring", 5, DIES),
    "pump, logger alive": Case("heron-point", 1, ROUGH, 15),
    "pump, logger dead": Case("heron-point", 2, DIES, 15),
    "pump, logger dead, 1970": Case("heron-point", 2, replace(DIES, clock="epoch")),
    "pump, logger dead, no lamp counter": Case("heron-point", 3, replace(DIES, sensors=NO_COUNTER)),
    "a failed lamp": Case("granite-stair", 1, None, 14),
}


@dataclass
class Told:
    """A store that was told what the logger sent, and the truth."""

    store: Store
    case: Case
    frames: Frames
    overdue: pd.Timedelta  # how long after its latest reading the unit counts as heard

    def true_l(self, since: pd.Timestamp, until: pd.Timestamp) -> float:
        """Least litres past a dark or warming lamp between two instants: of the truth's own samples inside."""
        at = self.frames.truth["at"]
        inside = (at >= since) & (at <= until)
        litres = self.bad_l[inside.to_numpy()]
        return float(litres[-1] - litres[0]) if len(litres) else 0.0

    @cached_property
    def bad_l(self) -> np.ndarray:
        """Running total at the truth's own instants: past a dark lamp, or a warming one and short of its dose."""
        truth = self.frames.truth
        steps = np.diff((truth["dark_l"] + truth["warming_l"]).to_numpy())
        return np.concatenate([[0.0], np.cumsum(np.minimum(steps, np.diff(truth["underdosed_l"].to_numpy())))])

    def drawn_l(self, since: pd.Timestamp, until: pd.Timestamp) -> float:
        """Most litres that were drawn at all between two instants: of the samples around them."""
        truth = self.frames.truth
        first = max(int(truth["at"].searchsorted(since, side="right")) - 1, 0)
        last = min(int(truth["at"].searchsorted(until, side="left")), len(truth) - 1)
        return float(truth["total_l"].iloc[last] - truth["total_l"].iloc[first])


@pytest.fixture(scope="module", params=CASES.values(), ids=CASES.keys())
def told(request: pytest.FixtureRequest, tmp_path_factory: pytest.TempPathFactory):
    case: Case = request.param
    cabin: dict[str, Any] = next(one for one in FLEET["cabin"] if one["slug"] == case.cabin)
    unit = cabin["unit"][0]
    reactor = next(one for one in FLEET["reactor"] if one["name"] == unit["reactor"])
    frames = simulate(unit, reactor, cabin, NOW - timedelta(days=case.days), NOW, case.seed, nature=case.nature)
    store = Store(tmp_path_factory.mktemp("truth") / "x.duckdb")
    store.act("enroll", {"text": fleet_toml(12, 1, now=NOW)})
    store.con.execute("DELETE FROM unit WHERE cabin <> $cabin", {"cabin": case.cabin})  # asked of often
    new_revision(store.con)
    done = frames.service[frames.service["recorded"]].drop(columns="recorded")
    take_in(store, case.cabin, unit["slug"], readings=frames.readings, links=frames.links, service=done,
            now=NOW)
    one = load_fleet(store).unit(case.cabin, unit["slug"])
    yield Told(store, case, frames, pd.Timedelta(seconds=one.overdue_s))
    store.close()


def intervals(told: Told) -> pd.DataFrame:
    """Whole intervals of all of the time."""
    return queries.outages(told.store, NOW, with_lit=True)


def test_no_interval_hides_more_under_dosed_water_than_its_upper_bound(told):
    found = intervals(told)
    hidden = [
        (str(one.start), str(one.end), one.kind, one.rests_on, one.underdosed_l_upper, true_l)
        for one in found.itertuples()
        if (true_l := told.true_l(one.start, one.end)) > one.underdosed_l_upper + METER_L
    ]
    assert hidden == []


def test_no_day_and_no_whole_run_hides_any(told):
    found = intervals(told)
    first = found["start"].min()
    days = pd.date_range(first.floor("D"), NOW, freq="D")
    for since in days:
        until = min(since + pd.Timedelta(days=1), pd.Timestamp(NOW))
        touching = found[(found["end"] > since) & (found["start"] < until)]
        assert told.true_l(max(since, first), until) <= touching["underdosed_l_upper"].sum() + METER_L, since
    assert told.true_l(first, pd.Timestamp(NOW)) <= found["underdosed_l_upper"].sum() + METER_L


def test_what_is_said_to_be_under_dosed_was_drawn(told):
    for one in intervals(told).itertuples():
        if one.kind in ("dark", "warming") and not np.isnan(one.underdosed_l):
            assert one.underdosed_l <= told.drawn_l(one.start, one.end) + METER_L, (one.start, one.end)


@pytest.mark.parametrize(("in_the_dark", "after_a_draw"), [(6, 5), pytest.param(12, 8, marks=pytest.mark.slow)])
def test_no_instant_is_clear_while_the_lamp_is_dark_or_under_dosed_water_has_just_passed(
    told, in_the_dark, after_a_draw
):
    """Nobody lifted anything in these runs. Half an hour to six hours after a draw."""
    truth = told.frames.truth
    at = truth["at"]
    # dark for longer than a unit may go unheard
    steps = int(told.overdue / (at.iloc[1] - at.iloc[0])) + 1
    dark = ~truth["lamp_on"].to_numpy()
    long_dark = np.convolve(dark, np.ones(steps), "full")[: len(dark)] == steps
    passed = np.append(np.diff(told.bad_l) > METER_L, False)
    rng = np.random.default_rng(told.case.seed)
    chosen = [*rng.choice(np.flatnonzero(long_dark), in_the_dark)] if long_dark.any() else []
    draws = rng.choice(np.flatnonzero(passed), after_a_draw) if passed.any() else []
    chosen += [min(int(n) + int(rng.integers(30, 360)), len(truth) - 1) for n in draws]
    assert chosen or told.case.cabin == "cedar-notch"  # a cabin of trouble has instants to ask of
    first = queries.outages(told.store, NOW, with_lit=True)["start"].min()
    wrong = []
    for n in chosen:
        now = at.iloc[n].to_pydatetime()
        if now <= first + told.overdue:
            continue
        found = queries.status(told.store, now, as_of=True)[0].verdict
        if found.verdict == "clear":
            wrong.append((str(now), found.reasons))
    assert wrong == []


def test_at_the_end_a_unit_with_hidden_or_known_exposure_has_an_advisory(told):
    found = queries.outages(told.store, NOW)
    if told.true_l(found["start"].min(), pd.Timestamp(NOW)) <= METER_L:
        return
    advisories = queries.advisories(told.store)
    if not advisories:  # what was drawn lies in a silence that goes on
        assert queries.status(told.store, NOW)[0].verdict.verdict == "silent"
        return
    assert len(advisories) == 1
    # a silence that goes on is no part of it yet: the verdict says so beside it
    going_on = found[(found["kind"] == "unheard") & (found["end"] >= pd.Timestamp(NOW))]["start"]
    until = going_on.min() if len(going_on) else pd.Timestamp(NOW)
    assert advisories[0].advisory.exposure.underdosed_l_upper + METER_L >= told.true_l(found["start"].min(), until)
    assert queries.status(told.store, NOW)[0].verdict.verdict == "boil"


@pytest.mark.parametrize("cabin", ["heron-point", "high-spring"])
@pytest.mark.parametrize("seed", [1, pytest.param(2, marks=pytest.mark.slow)])
def test_a_clock_that_stood_while_the_logger_was_dead_hides_no_water(tmp_path, cabin, seed):
    """After the cut it stamps 25 minutes of good readings into the dead time: which time was dark cannot be told
    any more, but that water may have passed undosed can."""
    place = next(one for one in FLEET["cabin"] if one["slug"] == cabin)
    unit = place["unit"][0]
    reactor = next(one for one in FLEET["reactor"] if one["name"] == unit["reactor"])
    frames = simulate(
        unit, reactor, place, NOW - timedelta(days=12), NOW, seed, nature=replace(DIES, clock="behind"))
    truth = frames.truth
    first = truth["at"] >= frames.readings["true_at"].min()
    bad_l = (truth["dark_l"] + truth["warming_l"])[first]
    assert bad_l.iloc[-1] - bad_l.iloc[0] > 20  # else there is nothing to hide
    store = Store(tmp_path / "x.duckdb")
    store.act("enroll", {"text": fleet_toml(12, 1, now=NOW)})
    take_in(store, cabin, unit["slug"], readings=frames.readings, links=frames.links, now=NOW,
            service=frames.service[frames.service["recorded"]].drop(columns="recorded"))
    found = queries.outages(store, NOW, cabin=cabin)
    assert found["underdosed_l_upper"].sum() >= bad_l.iloc[-1] - bad_l.iloc[0]
    assert queries.status(store, NOW, cabin=cabin)[0].verdict.verdict in ("boil", "silent")
    assert len(queries.advisories(store, cabin=cabin)) == 1
    store.close()
