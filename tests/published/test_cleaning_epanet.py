"""The flush of a hot tank against a network simulation: EPANET's water quality run, through the library wntr.

Source and tolerances: as of `test_plumbing_epanet`. What is tested is the whole of what a cabin is asked for: water
of two kinds, marginal and untreated, runs past a unit into pipe and tank; then as much dosed water runs as
`models.advisory.cleaning` asks for; then what the solver says is in the tank may be at most half a log short of the
target. The quality of each kind is a run of its own, since mixing is linear.
"""

import math

import numpy as np
import pytest

from models.advisory.cleaning import UnderDosed, cleaning
from models.fleet import Unit
from models.shortfall import mixture_shortfall_log
from tests.published.test_plumbing_epanet import STEP_S, network, simulate

FLOW_L_MIN, COLD_L = 12.0, 18.0
TARGET = 40.0


def in_tank(tank_l, minutes_of_it, kind, minutes, folder):
    """Share of one kind of water at the hot tap, every STEP_S; `minutes_of_it` names the kind of each minute."""
    wn = network([FLOW_L_MIN] * minutes, cold_l=COLD_L, tank_l=tank_l)
    for name in wn.node_name_list:
        wn.get_node(name).initial_quality = 0.0
    ran = [1.0 if one == kind else 0.0 for one in minutes_of_it]
    wn.add_pattern("ran", ran + [0.0] * (minutes - len(ran)))
    wn.add_source("inlet", "entry", "SETPOINT", 1.0, "ran")
    folder.mkdir()
    quality, _ = simulate(wn, "tap", folder)
    return quality.to_numpy()


@pytest.mark.parametrize("tank_l", [60.0, 150.0])
@pytest.mark.parametrize("order", [["marginal", "marginal", "untreated"], ["untreated", "marginal", "marginal"]])
@pytest.mark.parametrize("marginal_mj_cm2", [36.0, 30.0])
def test_a_tank_with_marginal_and_untreated_inflow_is_clean_after_what_is_asked(
        tank_l, order, marginal_mj_cm2, tmp_path):
    unit = Unit(slug="main", reactor="annular-40", uvt_pct=82.0, peak_flow_l_min=FLOW_L_MIN, cold_plumbing_l=COLD_L,
                hot_tank_l=tank_l)
    litres = {kind: order.count(kind) * FLOW_L_MIN for kind in order}
    asked = cleaning(UnderDosed(
        parts=((0.0, litres["untreated"]), (marginal_mj_cm2, litres["marginal"])), dose_target_mj_cm2=TARGET), unit)
    minutes = len(order) + math.ceil(asked.hot_l / FLOW_L_MIN) + 1
    untreated, marginal = (
        in_tank(tank_l, order, kind, minutes, tmp_path / kind) for kind in ("untreated", "marginal"))

    def short_after(flushed_l):
        at = math.ceil((len(order) + flushed_l / FLOW_L_MIN) * 60 / STEP_S)
        shares = [float(untreated[at]), float(marginal[at])]
        return mixture_shortfall_log(
            [0.0, marginal_mj_cm2, TARGET], [*shares, max(0.0, 1.0 - sum(shares))], TARGET)

    entered = sum(litres.values())
    assert 0.3 * entered / tank_l < (untreated + marginal).max() <= min(entered, tank_l) / tank_l + 0.002
    assert short_after(asked.hot_l) <= 0.5
    # nor is it asked far too much: with a plug-flow pipe and clean hot pipes it is there after its two fronts less,
    # and what of the water had left the tank while the rest came in
    enough = asked.hot_l - 2 * asked.cold_l - tank_l
    assert enough > 0 and short_after(enough) > 0.5
    assert np.all(np.diff((untreated + marginal)[-20:]) <= 0)
