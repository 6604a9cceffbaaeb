"""US EPA, Ultraviolet Disinfection Guidance Manual, EPA 815-R-06-007, 2006, section 5.9.

Source unverified: forms and figures are from memory, arithmetic [calc]; SOURCES.md section 2.
"""

import math

import pytest

from models.dose.validation_factor import validation_factor, validation_uncertainty_pct


def test_factor_and_validated_dose_of_the_tabled_arithmetic():
    plain = validation_factor(red_bias=1.0, uncertainty_pct=20.0)
    assert plain == pytest.approx(1.20) and 40 / plain == pytest.approx(33.33, abs=5e-3)
    biased = validation_factor(red_bias=2.18, uncertainty_pct=23.0)
    assert biased == pytest.approx(2.6814, abs=1e-12) and 40 / biased == pytest.approx(14.918, abs=5e-4)


def test_small_parts_of_the_uncertainty_drop_out_and_greater_ones_count():
    assert validation_uncertainty_pct(interpolation_pct=12, sensor_pct=10, dose_response_pct=30) == 12
    assert validation_uncertainty_pct(interpolation_pct=12, sensor_pct=10.1) == pytest.approx(math.hypot(12, 10.1))
    with_dose_response = validation_uncertainty_pct(interpolation_pct=12, dose_response_pct=31)
    assert with_dose_response == pytest.approx(math.hypot(12, 31))


def test_a_bias_below_one_or_a_negative_uncertainty_is_refused():
    with pytest.raises(ValueError, match="red_bias must be"):
        validation_factor(red_bias=0.9, uncertainty_pct=20)
    with pytest.raises(ValueError, match="uncertainty_pct must be"):
        validation_factor(red_bias=1, uncertainty_pct=-1)
    with pytest.raises(ValueError, match="sensor_pct must be"):
        validation_uncertainty_pct(interpolation_pct=1, sensor_pct=math.nan)
