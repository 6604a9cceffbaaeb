"""The forecast on fresh fleets of the full simulator, which the fit's author did not write; `pytest -m bench`."""

from __future__ import annotations

import numpy as np
import pandas as pd
import pytest

from models.lamp.decay import fleet_fit
from models.lamp.diagnosis import LEAST_LOSS, Action, diagnosis
from models.lamp.forecast import average_year, crossing, present_state
from tests.full_fleet import FullFleet, full_fleet

pytestmark = pytest.mark.bench
LENGTHS = (150, 300, 500, 700)  # days of record
UNITS = 100  # each; most are heard to the end
NO_RATED_LIFE_H = 1e9  # the lamp's hours end no lamp here: what is judged is the crossing


def _judged(fleet: FullFleet, rng: np.random.Generator) -> pd.DataFrame:
    """One row per unit that was heard to the end: thresholds set where the true crossing is known."""
    days, truth = fleet.days, fleet.truth
    fit = fleet_fit(days, path_cm=fleet.path_cm)
    state = average_year(days, present_state(fit, days))
    heard = (fit.days_known >= 60) & (days.last_day >= days.intensity_w_m2.shape[1] - 8)

    def ahead(wait: np.ndarray):
        threshold = np.exp(truth["log_now"] - truth["loss_per_day"] * wait).to_numpy()
        asked = {"threshold_w_m2": threshold, "rated_life_h": NO_RATED_LIFE_H}
        return crossing(fit, state, **asked), asked

    two_months = rng.uniform(45, 75, len(truth))
    found, asked = ahead(two_months)
    cause = diagnosis(fit, days, state, as_it_is=found, **asked)
    any_time = np.exp(rng.uniform(np.log(15), np.log(400), len(truth)))
    wide, _ = ahead(any_time)
    lamp, sleeve = truth["lamp_loss"].to_numpy(), truth["sleeve_loss"].to_numpy()
    return pd.DataFrame({
        "days": days.intensity_w_m2.shape[1], "error": np.abs(found.p50 - two_months),
        "covered": (wide.p10 <= any_time) & (any_time <= np.ceil(wide.p90)),
        "has_cause": np.maximum(lamp, sleeve) >= LEAST_LOSS,
        "right": (cause.sleeve_loss > cause.lamp_loss) == (sleeve > lamp), "swap": cause.action == Action.SWAP_LAMP,
        "dirty": sleeve - lamp > LEAST_LOSS, "whole": truth["whole"].to_numpy(),
    })[heard]


@pytest.mark.timeout(3600)
def test_dates_and_causes_hold_on_fleets_of_the_full_simulator(capsys):
    rng = np.random.default_rng()
    seeds = rng.integers(2**31, size=len(LENGTHS))
    found = pd.concat([
        _judged(full_fleet(UNITS, length, int(seed)), rng) for length, seed in zip(LENGTHS, seeds, strict=True)])
    error, covered = found["error"].median(), found["covered"].mean()
    right = found.loc[found["has_cause"], "right"].mean()
    # of a median of n absolute normal errors: 1.16 of it over the root of n
    error_se = 1.16 * error / np.sqrt(len(found))
    share_se = {name: np.sqrt(p * (1 - p) / len(found)) for name, p in (("covered", covered), ("right", right))}
    by_length = found.groupby("days").agg(error=("error", "median"), covered=("covered", "mean")).round(2)
    with capsys.disabled():
        print(
            f"\n{len(found)} units of the full simulator, seeds {seeds.tolist()}: 80 % interval covers "
            f"{covered:.1%}, median error two months ahead {error:.1f} +- {error_se:.1f} days, lamp or sleeve "
            f"right in {right:.1%} of {int(found['has_cause'].sum())}, {int(found['swap'].sum())} swaps\n"
            f"{by_length}")
    # The limits are the issue's: 70 to 90 %, 15 days, 90 %. A sample of some hundred units errs by its standard
    # error; it fails where the fleet behind it does, at 19 to 1.
    assert 0.70 - 1.64 * share_se["covered"] <= covered <= 0.90 + 1.64 * share_se["covered"]
    assert error - 1.64 * error_se <= 15
    assert right + 1.64 * share_se["right"] >= 0.90
    assert found["swap"].sum() > 20
    assert not (found["swap"] & found["dirty"] & found["whole"]).any()
