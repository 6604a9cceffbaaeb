"""Limits of the feed water against their sources (SOURCES.md section 5)."""

import math

import pytest

from models.water_quality import LIMITS, Mark, WaterTest, hardness_mg_l, water_findings

GOOD = {
    "hardness_mg_l": 60.0, "iron_mg_l": 0.05, "manganese_mg_l": 0.01, "turbidity_ntu": 0.3, "ph": 7.4,
    "tannin_mg_l": 0.02, "uvt_pct": 88.0,
}

# quantity, worst value that is fine, first that is not, source
EDGES = [
    ("hardness_mg_l", 119.9, 120.0, "below 7 gpg, about 120 mg/L: trade usage (seen, S28)"),
    ("iron_mg_l", 0.299, 0.3, "40 CFR 143.3: 0.3 mg/L (seen, S27); trade usage: below (seen, S28)"),
    ("manganese_mg_l", 0.049, 0.05, "40 CFR 143.3: 0.05 mg/L (seen, S27); trade usage: below (seen, S28)"),
    ("turbidity_ntu", 0.99, 1.0, "below 1 NTU: trade usage (seen, S28)"),
    ("ph", 6.5, 6.49, "40 CFR 143.3: 6.5 to 8.5 (seen, S27)"),
    ("ph", 8.5, 8.51, "40 CFR 143.3: 6.5 to 8.5 (seen, S27); trade usage to 9.5 (seen, S28)"),
    ("tannin_mg_l", 0.09, 0.1, "below 0.1 mg/L: trade usage (from memory)"),
    ("uvt_pct", 75.0, 74.9, "at least 75 %: trade usage (from memory)"),
]


@pytest.mark.parametrize(("name", "fine", "over", "source"), EDGES, ids=[f"{edge[0]}-{edge[2]}" for edge in EDGES])
def test_each_limit_holds_at_its_published_value_and_not_a_hair_beyond(name, fine, over, source):
    assert water_findings(WaterTest(**{**GOOD, name: fine})).suits is True, source
    found = water_findings(WaterTest(**{**GOOD, name: over}))
    assert [finding.limit.name for finding in found.over] == [name], source
    assert found.suits is False


def test_seven_grains_are_the_hardness_limit():
    assert hardness_mg_l(7) == pytest.approx(119.8, abs=0.05)  # SOURCES.md section 5, calculated there


def test_each_limit_says_where_it_comes_from_and_how_well_it_is_known():
    assert {limit.name for limit in LIMITS if limit.mark is Mark.MEMORY} == {"tannin_mg_l", "uvt_pct"}
    assert all(limit.source.strip() for limit in LIMITS)
    found = water_findings(WaterTest(**{**GOOD, "tannin_mg_l": 0.4}))
    assert "from memory" in found.words[0] and "0.4 mg/L" in found.words[0]


@pytest.mark.parametrize("missing", [None, math.nan])
def test_what_was_not_measured_is_named_and_the_water_not_called_suitable(missing):
    found = water_findings(WaterTest(**{**GOOD, "iron_mg_l": missing}))
    assert found.suits is None
    assert found.not_measured == ("iron_mg_l",)
    assert "Not measured: Iron" in found.words[-1]


def test_very_cloudy_water_says_boil_first():
    # 5 NTU absolute maximum: trade usage, from memory.
    assert "Boil the water" in water_findings(WaterTest(**{**GOOD, "turbidity_ntu": 5.1})).words[0]
    assert "Boil the water" not in water_findings(WaterTest(**{**GOOD, "turbidity_ntu": 5.0})).words[0]


def test_good_water_is_still_not_called_fit_to_drink():
    assert "local health authority" in water_findings(WaterTest(**GOOD)).words[0]


@pytest.mark.parametrize(
    ("name", "value"), [("ph", 14.1), ("iron_mg_l", -0.1), ("uvt_pct", 101.0), ("iron_mg_l", math.inf)]
)
def test_a_figure_that_cannot_be_is_refused_by_name(name, value):
    with pytest.raises(ValueError, match=name):
        WaterTest(**{name: value})
