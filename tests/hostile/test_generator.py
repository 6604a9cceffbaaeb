"""The generator itself: the same for the same seed, its truth by hand and by the program's calculator."""

from __future__ import annotations

import ast
import json
from pathlib import Path

import numpy as np
import pandas as pd
import pytest

from .door import Door, Refused, reactors_toml, tarnlight
from .faults import FAULTS, make_case
from .harness import shown_stretches
from .logger import QUANTITIES, Logger, alive, read
from .truth import KINDS, Truth, log_uniform, runs, short_log


def small_truth(seconds: int = 1200, dark: tuple[int, int] = (600, 720), flow_l_min: float = 6.0) -> Truth:
    """Lit water that flows all the time, and a cut."""
    power = np.ones(seconds, bool)
    power[slice(*dark)] = False
    return Truth(
        kind=KINDS[0], target_mj_cm2=40.0, enrolled_uvt_pct=80.0, peak_flow_l_min=20.0, drawdown_l=None,
        settled_w_m2=60.0, power=power, ballast=power.copy(), burning=power.copy(), light=power.astype(float),
        intensity_w_m2=60.0 * power, uvt_pct=np.full(seconds, 80.0), flow_l_min=np.full(seconds, flow_l_min),
        counter_start_h=100.0, total_start_l=0.0)


def small_logger(**changes: object) -> Logger:
    plain = {
        "cadence_s": 60, "phase_s": 0.0, "has": {"lamp_on", "intensity_w_m2", "total_l", "lamp_hours"},
        "events": set(), "whole_events": False, "total_step_l": 0.1, "counter_step_s": 1.0,
        "intensity_noise": 0.0, "intensity_step": 0.01}
    return Logger(**(plain | changes))


@pytest.mark.parametrize("kind", KINDS, ids=lambda kind: kind.name)
def test_the_test_point_gives_its_own_dose(kind):
    red = kind.red_mj_cm2(kind.test_intensity_w_m2, kind.test_uvt_pct, kind.test_flow_l_min)
    assert red == pytest.approx(kind.test_red_mj_cm2)


def test_the_dose_is_that_of_the_programs_calculator_which_shares_no_code_with_it(tmp_path):
    door = Door(tmp_path)
    door.enroll(reactors_toml())
    for kind in KINDS:
        for intensity, uvt, flow in ((38.0, kind.test_uvt_pct + 5, 8.0), (20.0, kind.test_uvt_pct, 17.5)):
            said = json.loads(tarnlight(
                door.store, "dose", "--reactor", kind.name, "--intensity", str(intensity), "--uvt", str(uvt),
                "--flow", str(flow), "--json"))
            # below the test's dose the program counts a mixing of more tanks too, where the stated ones do not fit
            truth = float(kind.red_mj_cm2(intensity, uvt, flow))
            least = 1.0 if truth >= kind.test_red_mj_cm2 else 0.8
            assert least * truth * (1 - 1e-9) <= said[0]["dose_mj_cm2"] <= truth * (1 + 1e-9)


def test_standing_water_in_the_light_is_dosed_without_end_and_dark_water_not_at_all():
    kind = KINDS[0]
    assert np.isinf(kind.red_mj_cm2(50.0, 80.0, 0.0))
    assert kind.red_mj_cm2(0.0, 80.0, 0.0) == kind.red_mj_cm2(0.0, 80.0, 9.0) == 0


def test_shortfall_by_the_table_interpolated():
    # 40 CFR 141.720(d)(1): 22 mJ/cm2 is 4 log, 15 is 3.5 log of both; 12 is 3 log of Cryptosporidium, 11 of Giardia
    lost = short_log(np.array([0.0, 15.0, 18.5, 12.0, 22.0, 90.0]), 40.0)
    assert lost == pytest.approx([4.0, 0.5, 0.25, 1.0, 0.0, 0.0])


def test_the_truth_of_a_small_history_by_hand():
    truth = small_truth()
    assert truth.litres.sum() == pytest.approx(120.0)  # 6 L/min for 20 min
    assert truth.litres[truth.short].sum() == pytest.approx(12.0)  # two dark minutes
    assert (truth.far_short == truth.short).all()
    assert truth.litres[truth.cold].sum() == pytest.approx(24.0)  # and two of the enrolled warm-up time
    assert truth.lit_s[-1] == 1080
    assert runs(truth.unsettled) == [(600, 720)]


def test_a_logger_reads_that_truth_in_its_own_steps():
    truth = small_truth()
    rows = read(truth, small_logger(total_step_l=1.0, counter_step_s=360.0), np.random.default_rng(1))
    assert rows["t"].tolist() == list(range(0, 1199, 60))
    dark = rows[rows["t"].isin([600.0, 660.0])]
    assert dark["lamp_on"].tolist() == [0, 0]
    assert dark["intensity_w_m2"].tolist() == [0, 0]
    assert rows["total_l"].tolist() == np.floor(truth.total_l[::60][:20]).tolist()
    assert set(np.round(rows["lamp_hours"] * 10, 6) % 1) == {0.0}
    assert rows["power_on"].isna().all()  # it does not have that


def test_a_logger_that_dies_with_the_power_has_no_rows_until_it_has_booted():
    truth = small_truth()
    logger = small_logger(dies_with_power=True, boot_s=90, pulse=True)
    rows = read(truth, logger, np.random.default_rng(1))
    assert not rows["t"].between(600, 809).any()
    # it counts pulses itself: those of the dark minutes and of its boot are lost for ever
    assert rows["total_l"].iloc[-1] == pytest.approx(truth.total_l[1140] - 21.0, abs=0.2)
    assert int((~alive(truth, logger)).sum()) == 210


@pytest.mark.parametrize(("changes", "lost", "shown"), [
    ({}, (), True),  # lamp and intensity say so
    ({"has": {"total_l", "flow_l_min"}}, (), False),
    ({"has": {"total_l", "flow_l_min"}}, (600, 660), True),  # rows are missing
    ({"has": {"total_l", "lamp_hours"}}, (), True),  # the counter stood for 120 s
    ({"has": {"total_l", "lamp_hours"}, "counter_step_s": 360.0}, (), False),  # within its step
    ({"has": {"total_l", "power_on"}}, (), True),
    ({"has": {"total_l", "lamp_on"}, "contactor": True}, (), False),
], ids=["status", "no witness", "rows missing", "counter", "coarse counter", "power", "contactor"])
def test_what_shows_a_cut(changes, lost, shown):
    case = make_case(3, only=())
    case.truth, case.logger = small_truth(), small_logger(**changes)
    case.rows = read(case.truth, case.logger, case.rng)
    case.lose(case.rows["t"].isin(lost))
    far, dark = shown_stretches(case, 1200.0)
    assert far.any() == dark.any() == shown


def test_a_history_is_the_same_for_the_same_seed():
    for seed in (11, 12, 13):
        one, other = make_case(seed), make_case(seed)
        pd.testing.assert_frame_equal(one.rows, other.rows)
        assert (one.truth.red_mj_cm2 == other.truth.red_mj_cm2).all()
        assert one.unit == other.unit
    assert not make_case(11).rows.equals(make_case(12).rows)


@pytest.mark.parametrize("name", FAULTS)
def test_every_fault_can_be_had_alone_and_leaves_rows(name):
    for seed in range(4):
        case = make_case(seed, only=(name,))
        assert case.kinds == (name,)
        assert len(case.rows) > 10
        assert case.rows[list(QUANTITIES)].notna().any(axis=1).all()


OF_ROWS = [name for name, fault in FAULTS.items() if fault.rows is not None]


@pytest.mark.parametrize("name", [name for name in OF_ROWS if name not in ("lamp_changed", "link_events")])
def test_a_fault_of_rows_changes_rows(name):
    """Against the same history without it, over seeds in which it has something to work on."""
    changed = 0
    for seed in range(12):
        case = make_case(seed, only=(name,))
        plain = read(case.truth, case.logger, np.random.default_rng(seed)).drop(columns="intensity_w_m2")
        changed += not plain.equals(case.rows[plain.columns])
    assert changed >= 3


def test_honest_faults_leave_honest_values():
    names = [name for name, fault in FAULTS.items() if fault.honest and name not in ("lamp_changed", "pulse_total")]
    for seed, name in enumerate(names):
        case = make_case(seed, only=(name,))
        rows = case.rows[case.rows["stamp"] > -1e8]
        second = rows["t"].to_numpy().astype(int)
        assert (rows["stamp"] == rows["t"]).all(), name
        for column, true in (("lamp_on", case.truth.burning), ("power_on", case.truth.power)):
            said = rows[column].to_numpy()
            assert (np.isnan(said) | (said == true[second])).all(), name
        known = rows["total_l"].notna().to_numpy()
        off = case.truth.total_l[second] - rows["total_l"].to_numpy()
        assert (off[known] > -1e-6).all(), name
        assert (off[known] <= case.logger.total_step_l + 1e-6).all(), name


def test_there_are_enough_of_all_that_is_counted():
    cases = [make_case(seed) for seed in range(150)]
    assert {name for case in cases for name in case.kinds} >= set(FAULTS) - {"stuck_total", "peak_enrolled_low"}
    assert sum(case.truth.drawdown_l is None for case in cases) > 20  # gravity
    assert sum((~case.truth.power).any() for case in cases) > 80
    assert sum(case.truth.ends_well for case in cases) > 90
    assert sum(case.truth.seconds > 20_000 * 1.5 for case in cases) >= 5
    assert all(case.truth.flow_l_min.max() <= case.truth.peak_flow_l_min for case in cases)


def test_numbers_of_log_uniform_stay_in_their_range():
    rng = np.random.default_rng(0)
    found = [log_uniform(rng, 5, 500) for _ in range(500)]
    assert min(found) >= 5
    assert max(found) <= 500
    assert 35 < float(np.median(found)) < 70  # about the geometric mean, 50


# What the generator may know of the program: its commands, its tables' door, and nothing of how it judges.
KNOWN = {"dashboard.cli.main", "ingest.db.intake.keep", "ingest.queries.quarantined", "ingest.store.Store"}


def test_the_generator_knows_nothing_of_how_the_program_judges():
    found = set()
    for path in Path(__file__).parent.glob("*.py"):
        for node in ast.walk(ast.parse(path.read_text(encoding="utf-8"))):
            if isinstance(node, ast.ImportFrom) and not node.level:
                found |= {f"{node.module}.{one.name}" for one in node.names}
            elif isinstance(node, ast.Import):
                found |= {one.name for one in node.names}
    ours = {one for one in found if one.split(".")[0] in ("models", "ingest", "dashboard", "simulated_feeds")}
    assert ours == KNOWN


def test_a_store_that_refuses_says_why(tmp_path: Path):
    with pytest.raises(Refused, match="unknown key"):
        Door(tmp_path).enroll(reactors_toml() + "[[cabin]]\nslug = \"x\"\ncolour = 3\n")
