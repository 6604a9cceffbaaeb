"""A fleet's ageing and its truth, checked by regression with numpy's least squares."""

import numpy as np
import pytest

from simulated_feeds import aging_fleet


def test_the_same_seed_gives_the_same_fleet():
    one, other = aging_fleet(30, 200, 4), aging_fleet(30, 200, 4)
    assert np.array_equal(one.log_intensity, other.log_intensity, equal_nan=True)
    assert one.truth.equals(other.truth) and one.events.equals(other.events)
    assert not np.array_equal(one.log_intensity, aging_fleet(30, 200, 5).log_intensity, equal_nan=True)


def test_least_squares_on_what_truly_drives_it_finds_the_true_rates():
    # one lamp without a swap; regressors: lamp hours, hours since true cleanings, water's absorbance, temperature
    fleet = aging_fleet(600, 300, 11)
    live = np.isfinite(fleet.uvt_pct).mean(axis=1) > 0.9
    swapped = set(fleet.events.loc[fleet.events["kind"] == "lamp-swapped", "unit"])
    lamp, sleeve = [], []
    for unit in np.flatnonzero(live):
        if unit in swapped or fleet.lamp_hours[unit, 0] < 200:
            continue
        x = np.stack([np.ones(300), fleet.lamp_hours[unit] / 1000, fleet.hours_since_clean_true[unit] / 1000,
                      -np.log(fleet.uvt_pct[unit] / 100), fleet.water_temp_c[unit],
                      fleet.water_temp_c[unit] ** 2], axis=1)
        seen = np.isfinite(fleet.log_intensity[unit])
        fitted = np.linalg.lstsq(x[seen], fleet.log_intensity[unit, seen], rcond=None)[0]
        lamp.append(-fitted[1] - fleet.truth["lamp_loss_per_1000_h"][unit])
        sleeve.append(-fitted[2] - fleet.truth["sleeve_loss_per_1000_h"][unit])
    assert len(lamp) >= 10
    assert abs(np.median(lamp)) < 0.003  # of about 0.025, the sleeve's solarisation of 0.0015 included
    assert abs(np.median(sleeve)) < 0.003


def test_cleanings_that_nobody_wrote_down_make_the_known_hours_the_longer_ones():
    fleet = aging_fleet(100, 400, 2)
    assert (fleet.hours_since_clean >= fleet.hours_since_clean_true - 1e-9).all()
    assert (fleet.hours_since_clean > fleet.hours_since_clean_true + 1).any()
    assert (~fleet.events["recorded"]).any()


def test_an_intensity_jumps_up_at_every_swap():
    fleet = aging_fleet(200, 400, 3)
    swaps = fleet.events[(fleet.events["kind"] == "lamp-swapped") & fleet.events["day"].between(10, 389)]
    jump = [np.nanmean(fleet.log_intensity[unit, day:day + 7]) - np.nanmean(fleet.log_intensity[unit, day - 7:day])
            for unit, day in zip(swaps["unit"], swaps["day"], strict=True)]
    assert len(jump) > 100
    assert np.mean(np.array(jump) > 0) > 0.9


def test_a_crossing_lies_after_the_data_or_never():
    truth = aging_fleet(500, 300, 9).truth
    later = truth["crossing_day"][np.isfinite(truth["crossing_day"])]
    assert later.between(299, 299 + 730).all()
    assert (later > 299).mean() > 0.05
    assert set(truth["cause"]) == {"lamp", "sleeve", "water"}


def test_the_true_crossing_is_that_of_the_truths_own_rates_continued():
    # the definition worked out a second way: where only lamp, sleeve and solarisation act, the log margin at the
    # last day over the log loss a day
    truth = aging_fleet(300, 400, 12).truth
    still = truth[(truth["water_loss"] == 0) & (truth["crossing_day"] > 399) & np.isfinite(truth["crossing_day"])]
    per_hour = (still["lamp_loss_per_1000_h"] + still["sleeve_loss_per_1000_h"] + 1.5e-3) / 1000
    per_day = per_hour * still["lit_h_per_day"]
    gone = per_day * (still["crossing_day"] - 399)
    assert len(still) > 30
    # the whole fall since new is between what the threshold allows: 60 to 80 % of a new lamp's intensity
    fall = gone + still["lamp_loss"] + still["sleeve_loss"]
    assert fall.between(-np.log(0.85) - 0.1, -np.log(0.60) + 0.1).mean() > 0.9


@pytest.mark.parametrize(("n_units", "days", "name"), [(0, 10, "n_units"), (10, 0, "days")])
def test_a_fleet_of_nothing_is_refused(n_units, days, name):
    with pytest.raises(ValueError, match=f"{name} must be at least 1; got 0"):
        aging_fleet(n_units, days, 1)
