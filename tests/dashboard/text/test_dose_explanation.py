"""How a dose was reached: rows and sentences for people."""

from __future__ import annotations

import math
from datetime import UTC, datetime, timedelta

import pandas as pd
import pytest

from dashboard.text.dose_explanation import input_rows, month_words, step_rows, summary
from ingest.queries import UnitStatus
from models.dose.explain import explain
from models.dose.water_band import Water
from models.exposure import UnitState
from models.fleet import Cabin, Reactor, Unit
from models.verdict import Verdict, Word

NOW = datetime(2026, 7, 4, 12, tzinfo=UTC)
REACTOR = Reactor(
    name="annular-40", chamber_inner_radius_cm=4.4, sleeve_outer_radius_cm=1.2, arc_length_cm=42.0, lamp_uvc_w=13.0,
    sleeve_transmittance=0.92, mixing_tanks=4, test_flow_l_min=30.0, test_uvt_pct=75.0, test_intensity_w_m2=41.0,
    test_red_mj_cm2=40.0, challenge_k_cm2_mj=0.115, alarm_intensity_w_m2=29.0)
UNIT = Unit(slug="main", reactor="annular-40", uvt_pct=82.0, peak_flow_l_min=28.0)
CABIN = Cabin(slug="heron-point", name="Heron Point", time_zone="America/Toronto", latitude=45.4, longitude=-79.2,
              units=(UNIT,))


def status(*, low: float | None, heard: bool = True, flow_l_min: float = 6.0, live: bool = False) -> UnitStatus:
    state = UnitState(
        at=NOW - timedelta(seconds=30), intensity_w_m2=45.0, intensity_w_m2_at=NOW - timedelta(seconds=30),
        flow_l_min=flow_l_min, flow_l_min_at=NOW - timedelta(seconds=30),
        uvt_pct=85.0 if live else None, uvt_pct_at=NOW - timedelta(seconds=90) if live else None, lit=True)
    return UnitStatus(
        cabin=CABIN, unit=UNIT, reactor=REACTOR,
        verdict=Verdict(verdict=Word.CLEAR, since=None, reasons=(), next_action=""), state=state,
        water=Water(uvt_pct=85.0 if live else 82.0, live=live, points=4.0), red_mj_cm2=low, red_low_mj_cm2=low,
        judged_flow_l_min=flow_l_min or 28.0, heard=heard, advisory=None, link_down_since=None)


def test_every_input_tells_where_it_comes_from_and_how_old_it_is():
    tested = pd.DataFrame({"at": [pd.Timestamp(NOW) - pd.Timedelta(days=3)], "who": ["Ann Lund"], "value": [82.0]})
    rows = input_rows(status(low=50.0), tested, NOW)
    assert [row[0] for row in rows] == ["Intensity S", "Flow Q", "Transmittance UVT"]
    assert rows[2][1:3] == ("82 %", "water test by Ann Lund")
    assert "3 days" in rows[2][3]


def test_a_transmittance_without_a_test_says_that_its_age_is_not_known():
    rows = input_rows(status(low=50.0), pd.DataFrame(columns=["at", "who", "value"]), NOW)
    assert rows[2][2:] == ("the registry (no test recorded)", "not known")


def test_a_live_transmittance_is_named_as_such():
    rows = input_rows(status(low=50.0, live=True), pd.DataFrame(columns=["at", "who", "value"]), NOW)
    assert rows[2][1:3] == ("85 %", "the unit's live sensor")


@pytest.mark.parametrize(("low", "word"), [
    (40.0, "At least 40 mJ/cm² at the flow measured (6 L/min): reaches"),
    (39.99, "At least 39.9 mJ/cm² at the flow measured (6 L/min): does NOT reach"),
])
def test_the_result_is_never_rounded_up_to_its_target(low, word):
    assert summary(status(low=low)).startswith(word)


def test_an_unknown_dose_does_not_count_as_reaching_its_target():
    assert "does not count as reaching" in summary(status(low=None))
    assert "no dose is reckoned" in summary(status(low=50.0, heard=False))


def test_each_formula_can_be_typed_into_a_calculator_and_gives_the_value_beside_it():
    names = {"exp": math.exp, "ln": math.log, "sqrt": math.sqrt, "pi": math.pi, "max": max, "min": min}
    steps = explain(REACTOR, intensity_w_m2=45.0, flow_l_min=28.0, uvt_pct=82.0, uvt_live=False)
    checked = 0
    for (_, _, shown, formula), step in zip(step_rows(steps), steps, strict=True):
        if not formula:
            continue
        value = eval(formula.removeprefix("= ").replace("^", "**"), {"__builtins__": {}}, names)
        assert value == pytest.approx(step.value, rel=2e-6)  # the formula's numbers carry seven digits
        assert float(shown.split()[0]) == pytest.approx(value, rel=6e-4)  # shown to four
        checked += 1
    assert checked >= 10


def month(least: float | None, most: float | None = None, unheard_h: float = 0.0) -> dict[str, float | None]:
    """A month's share of water in specification, as the store gives it."""
    return {"share_pct": least, "share_most_pct": least if most is None else most, "unheard_h": unheard_h}


def test_the_month_names_its_rule_as_a_reference_and_an_empty_month_claims_nothing():
    assert "binds public systems only" in month_words(month(96.25), "2026-07")
    assert "In 2026-07 96.2 % of" in month_words(month(96.25), "2026-07")
    assert "no water" in month_words(month(None), "2026-07")


def test_a_month_with_unheard_hours_has_no_one_figure():
    # 96 of 100 L are known to have been in specification, and the 4 L of the gap may have been: 96 to 100 %.
    told = month_words(month(96.0, 100.0, unheard_h=288.0), "2026-10")
    assert "In 2026-10 96.0 to 100.0 % of" in told and "288.0 h were not heard" in told


def test_a_share_is_never_rounded_up_to_all_of_it():
    assert "99.9 %" in month_words(month(99.97), "2026-07")
    assert "100.0 %" in month_words(month(100.0), "2026-07")
