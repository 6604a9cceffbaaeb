"""40 CFR 141.720(d)(1), UV dose table, and (d)(3)(ii); SOURCES.md section 1 (values seen in a secondary copy)."""

import math

import numpy as np
import pytest

from models.dose.credit import log_credit, share_in_specification

CREDITS = [0.5, 1.0, 1.5, 2.0, 2.5, 3.0, 3.5, 4.0]
DOSES = {
    "cryptosporidium": [1.6, 2.5, 3.9, 5.8, 8.5, 12, 15, 22],
    "giardia": [1.5, 2.1, 3.0, 5.2, 7.7, 11, 15, 22],
    "virus": [39, 58, 79, 100, 121, 143, 163, 186],
}
ENTRIES = [
    (organism, credit, dose)
    for organism, doses in DOSES.items()
    for credit, dose in zip(CREDITS, doses, strict=True)
]


@pytest.mark.parametrize(("organism", "credit_log", "dose_mj_cm2"), ENTRIES)
def test_a_table_dose_earns_its_credit_and_a_hair_less_the_step_below(organism, credit_log, dose_mj_cm2):
    assert log_credit(dose_mj_cm2, organism) == credit_log
    assert log_credit(np.nextafter(dose_mj_cm2, 0), organism) == credit_log - 0.5


def test_forty_mj_earn_four_decades_of_protozoa_but_half_a_decade_of_virus():
    # Follows from the table; the reason why a class A unit (40 mJ/cm2) is no proof against adenovirus.
    assert [log_credit(40.0, organism) for organism in DOSES] == [4.0, 4.0, 0.5]


def test_no_dose_earns_more_than_the_table_and_an_unknown_one_earns_nothing_known():
    found = log_credit([0.0, 1e6, math.inf, math.nan], "virus")
    assert found[:3].tolist() == [0.0, 4.0, 4.0] and math.isnan(found[3])


def test_an_organism_outside_the_table_and_a_negative_dose_are_refused():
    with pytest.raises(ValueError, match="one of cryptosporidium, giardia, virus; got 'legionella'"):
        log_credit(40.0, "legionella")
    with pytest.raises(ValueError, match=r"dose_mj_cm2 must be at least 0; got -1\.0 at index 1"):
        log_credit([1.0, -1.0], "virus")


def test_a_month_reaches_the_rule_at_exactly_ninety_five_percent_by_volume():
    # 40 CFR 141.720(d)(3)(ii), memory: at least 95 % of the water delivered in each month.
    months = ["2026-06", "2026-06", "2026-07", "2026-07", "2026-08", "2026-09"]
    found = share_in_specification(
        [90.0, 10.0, 90.0, 10.0, 0.0, 50.0], [90.0, 5.0, 90.0, 4.9, 0.0, math.nan], months
    )
    assert found["share_pct"].tolist()[:2] == pytest.approx([95.0, 94.9])
    assert found["reaches_95_pct"].tolist() == [True, False, False, False]
    assert math.isnan(found.loc["2026-08", "share_pct"])  # no water, no share
    assert found.loc["2026-09", "share_pct"] == 0  # unknown is not in specification


def test_a_month_with_water_of_unknown_amount_has_no_known_share():
    found = share_in_specification([90.0, math.nan], [90.0, 0.0], ["2026-06", "2026-06"])
    assert math.isnan(found.loc["2026-06", "share_pct"]) and not found.loc["2026-06", "reaches_95_pct"]


def test_more_water_in_specification_than_was_drawn_is_refused():
    with pytest.raises(ValueError, match="in_specification_l must be at most volume_l; it isn't at index 1"):
        share_in_specification([1.0, 1.0], [1.0, 2.0], ["2026-06", "2026-06"])
