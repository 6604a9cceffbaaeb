"""Every scenario of the table comes to the intervals and litres worked out by hand."""

import pandas as pd
import pytest

from models.fleet import Reactor, Unit
from tests.models.exposed import exposed, intervals_of
from tests.models.outage_scenarios import SCENARIOS, Row, Scenario, instant

REACTOR = Reactor(
    name="annular-40", chamber_inner_radius_cm=4.4, sleeve_outer_radius_cm=1.2, arc_length_cm=42.0, lamp_uvc_w=13.0,
    sleeve_transmittance=0.92, mixing_tanks=4, test_flow_l_min=30.0, test_uvt_pct=75.0, test_intensity_w_m2=41.0,
    test_red_mj_cm2=40.0, challenge_k_cm2_mj=0.115, alarm_intensity_w_m2=29.0, warm_up_s=120.0,
)
COLUMNS = {
    "I": "intensity_w_m2", "Q": "flow_l_min", "T": "total_l", "H": "lamp_hours", "D": "dose_low_mj_cm2",
    "DP": "dose_low_at_peak_mj_cm2", "lamp": "lamp_on", "power": "power_on",
}
VOLUMES = ["drawn_l", "drawn_l_upper", "underdosed_l", "underdosed_l_upper"]


def unit(**changes: object) -> Unit:
    given = {
        "slug": "main", "reactor": "annular-40", "uvt_pct": 82.0, "peak_flow_l_min": 28.0, "drawdown_l": 25.0,
        "cadence_s": 60.0, "dose_target_mj_cm2": 40.0, "total": "meter",
    }
    return Unit(**{**given, **changes})


def stored(messages: list[list[Row]]) -> pd.DataFrame:
    """What a store keeps of messages: one row per instant, sorted; a later record fills what is still empty."""
    rows = [{"at": row["at"], **{COLUMNS[k]: v for k, v in row.items() if k != "at"}}
            for message in messages for row in message]
    table = pd.DataFrame(rows, columns=["at", *COLUMNS.values()])
    table["at"] = pd.to_datetime(table["at"], utc=True).dt.as_unit("us")
    return table.groupby("at", sort=True).first().reset_index()


def links(scenario: Scenario) -> pd.DataFrame | None:
    if not scenario.links:
        return None
    at, up = zip(*scenario.links, strict=True)
    return pd.DataFrame({"at": pd.to_datetime([instant(a) for a in at], utc=True).as_unit("us"), "up": list(up)})


@pytest.mark.parametrize("scenario", SCENARIOS, ids=lambda scenario: scenario.name)
def test_intervals_and_litres_are_those_worked_out_by_hand(scenario):
    pieces, _ = exposed(
        stored(scenario.messages), unit=unit(**scenario.unit), reactor=REACTOR, links=links(scenario))
    found = intervals_of(pieces)
    expected = pd.DataFrame(scenario.expected, columns=["kind", "cause", "start", "end", *VOLUMES])
    for name in ("start", "end"):
        expected[name] = pd.to_datetime([instant(text) for text in expected[name]], utc=True).as_unit("us")
    expected[VOLUMES] = expected[VOLUMES].astype(float)
    pd.testing.assert_frame_equal(
        found[list(expected)].astype({"kind": object, "cause": object}),
        expected.astype({"kind": object, "cause": object}), rtol=0, atol=1e-5,  # sums are kept in microlitres
    )


def test_the_table_holds_at_least_thirty_scenarios_with_names_of_their_own():
    assert len({scenario.name for scenario in SCENARIOS}) == len(SCENARIOS) >= 30
