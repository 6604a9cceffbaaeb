"""Plumbing against a network simulation: EPANET's water quality run, through the general library wntr.

Source: L. A. Rossman et al., EPANET 2.2 User Manual, EPA/600/R-20/133, 2020 (from memory), on water quality: pipes
are plug flow (no axial dispersion), a MIXED tank is one stirred volume, a FIFO tank a plug-flow volume. The solver
is public domain; for wntr see K. A. Klise et al., Environmental Modelling & Software 95, 2017, 420-431 (from
memory). Expected values here are the solver's own results for the same volumes and flows.

Tolerances: the solver moves water in time steps of 1 s, so a front may arrive one step early or late, and a stirred
tank is stepped too: at 20 L/min a step is 0.33 L, 1/120 of a 40 L tank, and half of that squared adds up to 0.002.
"""

import math

import numpy as np
import pytest
import wntr

from models.advisory.plumbing import Plumbing, flush_cold_l, flush_hot_l, standing

STEP_S = 5
PIPE_DIAMETER_M = 0.02
PIPE_AREA_M2 = math.pi * PIPE_DIAMETER_M**2 / 4


def network(flow_l_min, *, cold_l, tank_l=0.0, tank_model="MIXED"):
    """Reservoir of good water, pipe full of under-dosed water (quality 1), tap; or a tank, then the tap.

    `flow_l_min` holds one flow per minute. A flow control valve feeds the tank what is drawn: it stays full.
    """
    wn = wntr.network.WaterNetworkModel()
    wn.add_pattern("draw", [float(flow) for flow in flow_l_min])
    litre_per_min = 1e-3 / 60.0
    wn.add_reservoir("well", base_head=60.0)
    wn.add_junction("entry", base_demand=0.0, elevation=0.0)
    wn.add_pipe("service", "well", "entry", length=0.01, diameter=PIPE_DIAMETER_M, roughness=130)
    wn.add_junction("cold", elevation=0.0,
                    base_demand=0.0 if tank_l else litre_per_min, demand_pattern=None if tank_l else "draw")
    length_m = cold_l * 1e-3 / PIPE_AREA_M2
    wn.add_pipe("main", "entry", "cold", length=length_m, diameter=PIPE_DIAMETER_M, roughness=130)
    if tank_l:
        assert len(set(flow_l_min)) == 1  # a valve has one setting
        wn.add_tank("hot", elevation=10.0, init_level=1.0, min_level=0.1, max_level=2.0,
                    diameter=math.sqrt(4 * tank_l * 1e-3 / math.pi))
        wn.get_node("hot").mixing_model = tank_model
        wn.add_junction("inlet", base_demand=0.0, elevation=0.0)  # the solver wants a pipe between valve and tank
        wn.add_valve("feed", "cold", "inlet", diameter=PIPE_DIAMETER_M, valve_type="FCV",
                     initial_setting=flow_l_min[0] * litre_per_min)
        wn.add_pipe("riser", "inlet", "hot", length=0.01, diameter=PIPE_DIAMETER_M, roughness=130)
        wn.add_junction("tap", base_demand=litre_per_min, demand_pattern="draw", elevation=0.0)
        wn.add_pipe("spout", "hot", "tap", length=0.01, diameter=PIPE_DIAMETER_M, roughness=130)
    for name in wn.node_name_list:
        wn.get_node(name).initial_quality = 0.0 if name in ("well", "entry") else 1.0
    wn.options.quality.parameter = "CHEMICAL"
    wn.options.quality.tolerance = 1e-6
    wn.options.time.duration = 60 * len(flow_l_min)
    wn.options.time.hydraulic_timestep = 60
    wn.options.time.pattern_timestep = 60
    wn.options.time.quality_timestep = 1
    wn.options.time.report_timestep = STEP_S
    return wn


def simulate(wn, node, folder):
    """Fraction of under-dosed water at a node, every STEP_S from 0."""
    results = wntr.sim.EpanetSimulator(wn).run_sim(file_prefix=str(folder / "net"))
    return results.node["quality"][node], results.node["demand"][node]


def drawn_per_step(flow_l_min):
    """Litres per STEP_S."""
    return np.repeat(np.asarray(flow_l_min, dtype=float), 60 // STEP_S) * STEP_S / 60.0


@pytest.mark.parametrize(
    "flow_l_min", [[12.0] * 4, [3.0] * 10, [12.0, 0.0, 0.0, 2.0, 8.0, 1.0, 6.0, 6.0], [20.0, 0.0, 20.0]]
)
def test_cold_pipe_carries_the_front_as_the_network_solver_does(flow_l_min, tmp_path):
    cold_l = 18.0
    quality, _ = simulate(network(flow_l_min, cold_l=cold_l), "cold", tmp_path)
    ours = standing(drawn_per_step(flow_l_min), 0.0, Plumbing(cold_l=cold_l)).cold_tap
    theirs = quality.to_numpy()[1 : ours.size + 1]
    off = np.flatnonzero(np.abs(ours - theirs) > 0.01)
    assert off.size <= 1  # at most the one report in which the front passes
    assert ours[0] == 1.0 and ours[-1] == 0.0 and theirs[-1] < 0.01  # the front did pass, in both


@pytest.mark.parametrize(("flow_l_min", "tank_l"), [(12.0, 150.0), (6.0, 60.0), (20.0, 40.0)])
def test_mixed_hot_tank_thins_as_the_network_solver_does(flow_l_min, tank_l, tmp_path):
    cold_l = 18.0
    flows = [flow_l_min] * 60
    quality, demand = simulate(network(flows, cold_l=cold_l, tank_l=tank_l), "tap", tmp_path)
    np.testing.assert_allclose(demand.to_numpy()[:-1] * 60e3, flow_l_min, rtol=1e-4)  # the network did flow so
    ours = standing(drawn_per_step(flows), 0.0, Plumbing(cold_l=cold_l, hot_tank_l=tank_l), hot_share=1.0).hot_tap
    theirs = quality.to_numpy()[1 : ours.size + 1]
    np.testing.assert_allclose(ours, theirs, atol=0.002)
    assert theirs[-1] < 0.05 < theirs[len(theirs) // 12]  # it did thin, over many reports


def test_first_in_first_out_tank_is_a_longer_pipe_to_both(tmp_path):
    flows = [12.0] * 8
    quality, _ = simulate(network(flows, cold_l=18.0, tank_l=40.0, tank_model="FIFO"), "tap", tmp_path)
    ours = standing(drawn_per_step(flows), 0.0, Plumbing(cold_l=18.0 + 40.0)).cold_tap
    off = np.flatnonzero(np.abs(ours - quality.to_numpy()[1 : ours.size + 1]) > 0.01)
    assert off.size <= 2 and ours[-1] == 0.0


@pytest.mark.parametrize("replaced", [0.99, 0.999])
def test_flush_volumes_are_those_at_which_the_network_reaches_the_share(replaced, tmp_path):
    plumbing = Plumbing(cold_l=18.0, hot_tank_l=40.0)
    flow = 12.0
    minutes = math.ceil(flush_hot_l(plumbing, replaced) / flow) + 2
    hot, _ = simulate(network([flow] * minutes, cold_l=18.0, tank_l=40.0), "tap", tmp_path)
    reached_l = hot.index[np.argmax(hot.to_numpy() <= 1 - replaced)] / 60.0 * flow
    assert reached_l == pytest.approx(flush_hot_l(plumbing, replaced), abs=2.0)  # a report of 5 s is 1 L
    cold, _ = simulate(network([flow] * 3, cold_l=18.0), "cold", tmp_path)
    reached_l = cold.index[np.argmax(cold.to_numpy() <= 1 - replaced)] / 60.0 * flow
    assert reached_l == pytest.approx(flush_cold_l(plumbing, replaced), abs=1.2)
