"""How severe a stretch of time was: by hand, and never milder for less dose, more water or fewer rows.

The thresholds are those of models/shortfall.py at a target of 40 mJ/cm2: marginal from 35 (rotavirus 3.5 log of 4),
under-treated from 20 (half the target; the contract's rule).
"""

from __future__ import annotations

import numpy as np
import pandas as pd
import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from models.advisory.events import SEVERITY_RANK, StepPolicy
from models.advisory.marginal import rises
from models.exposure import cut, hourly
from models.exposure.severity import SEVERITIES, severity_codes, severity_ranks
from models.shortfall import Severity
from tests.models.exposed import exposed, intervals_of, stored_of
from tests.models.exposure.test_outage_scenarios import REACTOR, unit

UNIT = unit()
START = pd.Timestamp("2026-06-15T10:20:00", tz="UTC").as_unit("us")
PERIOD = np.array([3_600_000_000])
# name: lower bound, best estimate, flow, lit
ROWS = {
    "good": (60.0, 70.0, 12.0, True), "still": (np.inf, np.inf, 0.0, True), "little": (37.0, 45.0, 12.0, True),
    "half": (30.0, 45.0, 12.0, True), "low": (37.0, 39.0, 12.0, True), "far": (10.0, 45.0, 12.0, True),
    "outside": (37.0, np.nan, 12.0, True), "beyond": (60.0, np.nan, 12.0, True), "dark": (0.0, 0.0, 12.0, False),
}
BAD = {"half": 2, "low": 2, "outside": 2, "far": 3, "dark": 3}  # what would be a boil advisory: its code


def log(names: list[str], minutes: list[int] | None = None) -> pd.DataFrame:
    at = START + pd.to_timedelta(np.arange(len(names)) if minutes is None else np.array(minutes), unit="min")
    low, best, flow, lit = zip(*(ROWS[name] for name in names), strict=True)
    return pd.DataFrame({
        "at": at.as_unit("us"), "intensity_w_m2": [45.0 + 0.1 * (i % 3) if on else 0.0 for i, on in enumerate(lit)],
        "flow_l_min": flow, "lamp_on": lit, "dose_low_mj_cm2": low, "dose_mj_cm2": best,
        "dose_low_at_peak_mj_cm2": [30.0 if on else 0.0 for on in lit],
        "dose_at_peak_mj_cm2": [50.0 if on else 0.0 for on in lit]})


def pieces_of(names: list[str], minutes: list[int] | None = None) -> pd.DataFrame:
    return exposed(log(names, minutes), unit=UNIT, reactor=REACTOR)[0]


def worst(pieces: pd.DataFrame) -> int:
    short = pieces[pieces["underdosed_l_upper"] > 0]
    return 0 if short.empty else int(severity_ranks(short["severity"]).max())


@pytest.mark.parametrize(("name", "severity"), [
    ("good", "none"), ("little", "marginal"), ("half", "under-treated"), ("low", "under-treated"),
    ("outside", "under-treated"), ("far", "untreated"), ("dark", "untreated"), ("still", "none")])
def test_the_severity_of_a_draw(name, severity):
    found = pieces_of(["good"] * 5 + [name] * 4 + ["good"] * 5)
    assert SEVERITIES[worst(found)] == severity


def test_severities_do_not_melt_into_one_and_an_interval_for_people_bears_the_worst():
    found = pieces_of(["good"] * 3 + ["little"] * 3 + ["half"] * 2 + ["little"] * 3 + ["good"] * 3)
    stored = stored_of(found)
    assert stored["severity"].tolist() == ["none", "marginal", "under-treated", "marginal", "none"]
    weak = intervals_of(found).query("kind == 'weak'")
    assert weak["severity"].tolist() == ["under-treated"]
    assert weak["underdosed_l_upper"].sum() == pytest.approx(stored["underdosed_l_upper"].sum())


def test_water_outside_of_the_test_is_lit_but_not_in_specification():
    found = pieces_of(["good"] * 3 + ["beyond"] * 3 + ["good"] * 3)
    assert set(found["kind"]) == {"lit"}
    sums = hourly(cut(found, PERIOD), PERIOD).sum(numeric_only=True)
    assert sums["volume_l"] == pytest.approx(8 * 12.0)
    assert sums["in_spec_l"] == pytest.approx(4 * 12.0)  # two minutes on each side touch no such reading


def test_a_measured_light_in_the_warm_up_gives_its_dose():
    names = ["dark"] * 3 + ["half"] * 6
    rows = log(names)
    rows.loc[3:, "intensity_w_m2"] = [20.0, 30.0, 38.0, 44.0, 45.0, 45.1]  # it rises, so it is no repeated value
    found = exposed(rows, unit=UNIT, reactor=REACTOR)[0]
    warming = found[found["kind"] == "warming"]
    assert len(warming)
    assert set(warming.loc[warming["underdosed_l_upper"] > 0, "severity"]) <= {"under-treated", "untreated"}
    assert "under-treated" in set(warming["severity"])


def test_what_nobody_kept_counts_as_the_worst():
    assert severity_ranks(pd.Series(["none", "marginal", None, "under-treated"])).tolist() == [0, 1, 3, 2]


@given(st.floats(0, 60), st.floats(0, 60), st.booleans(), st.booleans(), st.floats(20, 60), st.floats(5, 40))
def test_less_dose_or_a_worse_estimate_is_never_milder(one, other, best, other_best, marginal_from, under_from):
    less, more = sorted((one, other))

    def code(dose: float, reaches: bool, dark: bool = False) -> int:
        return int(severity_codes(
            short=np.array([True]), dark_or_unheard=np.array([dark]), dose_low_mj_cm2=np.array([dose]),
            best_reaches_target=np.array([reaches]), marginal_from_mj_cm2=np.array([marginal_from]),
            under_treated_from_mj_cm2=np.array([min(under_from, marginal_from)]))[0])

    assert code(less, best and other_best) >= code(more, best or other_best)
    assert code(more, True, dark=True) == code(float("nan"), True) == 3


def asked(parts: list[tuple[str, float]], volume_l: float, hours: float, policy: StepPolicy) -> tuple[int, set]:
    """What such pieces of one unit ask for: 0 nothing, 1 to be watched, 2 a boil advisory; and its steps."""
    if not parts:
        return 0, set()
    severity = max((Severity(one) for one, _ in parts), key=SEVERITY_RANK.__getitem__)
    marginal_l = sum(litres for one, litres in parts if one == Severity.MARGINAL)
    risen = bool(rises(
        marginal_l_upper=[marginal_l], volume_l=[volume_l], unbroken_h=[hours], at_once=[False],
        share=policy.marginal_share, hours=policy.marginal_h)[0])
    if severity is Severity.MARGINAL and not risen:
        return 1, set()
    return 2, set(policy.steps(severity, hot_tank_l=150.0))


PARTS = st.lists(st.tuples(st.sampled_from(list(Severity)), st.floats(0.1, 500)), max_size=5)


@given(PARTS, PARTS, st.floats(0, 5000), st.floats(0, 40), st.floats(0, 20), st.integers(0, 4), st.floats(1, 10))
def test_more_water_or_less_dose_never_asks_for_less(parts, more, volume_l, hours, longer_h, which, times):
    policy = StepPolicy()
    level, steps = asked(parts, volume_l, hours, policy)
    worse = [[*parts, *more]]
    if parts:
        i = which % len(parts)
        severity, litres = parts[i]
        rest = parts[:i] + parts[i + 1:]
        further = list(Severity)[min(SEVERITY_RANK[severity] + 1, 2)]
        worse += [[*rest, (severity, litres * times)], [*rest, (further, litres)]]
    for one in worse:
        now, now_steps = asked(one, volume_l, hours + longer_h, policy)
        assert now >= level
        assert steps <= now_steps


@settings(max_examples=150, suppress_health_check=[HealthCheck.too_slow])
@given(st.lists(st.sampled_from(list(ROWS)), min_size=4, max_size=25), st.integers(0, 24), st.integers(1, 8))
def test_losing_rows_is_never_milder_while_a_row_that_shows_it_is_left(names, first, count):
    kept = [i for i in range(len(names)) if not first <= i < first + count]
    left = [names[i] for i in kept]
    if len(left) < 2:
        return
    shown = max((BAD.get(name, 0) for name in left), default=0)
    full, found = worst(pieces_of(names)), worst(pieces_of(left, kept))
    assert found >= min(full, shown)


def test_flow_that_only_the_total_shows_is_not_credited_where_nobody_tested_the_unit_at_its_peak():
    rows = log(["good"] * 6)
    rows["total_l"] = 100.0 + 18.0 * np.arange(6)  # the flow sensor says 12
    for best, severity in ((50.0, "none"), (np.nan, "under-treated")):
        found = exposed(rows.assign(dose_at_peak_mj_cm2=best), unit=UNIT, reactor=REACTOR)[0]
        assert set(found["severity"]) == {severity}
