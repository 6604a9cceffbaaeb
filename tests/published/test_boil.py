"""Boil times against the agencies' own figures.

Source: Dorris, Miko, Kunz, Hill, "Variance Among Public Health Agencies' Boil Water Guidance", Emerging Infectious
Diseases 31(8), August 2025, Table (seen; SOURCES.md section 6): CDC 1 min, 3 min above 1,981 m; EPA 1 min, 3 min
at 1,524 m; Health Canada 1 min, 2 min above 2,000 m; WHO no added time once at a rolling boil.
"""

import math

import pytest

from models.advisory.boil import ALTERNATIVES, CAUTIONS, CDC, EPA, HEALTH_CANADA, WHO, BoilRule, boil_advice

# authority, altitude in metres, minutes
AGENCIES = [
    (EPA, 0, 1), (EPA, 1523.9, 1), (EPA, 1524, 3), (EPA, 3000, 3),
    (CDC, 0, 1), (CDC, 1980.9, 1), (CDC, 1982, 3),
    (HEALTH_CANADA, 0, 1), (HEALTH_CANADA, 1999.9, 1), (HEALTH_CANADA, 2001, 2),
    (WHO, 0, 0), (WHO, 4000, 0),
]


@pytest.mark.parametrize(("rule", "altitude_m", "minutes"), AGENCIES)
def test_each_agency_asks_for_its_own_minutes(rule, altitude_m, minutes):
    advice = boil_advice(altitude_m, [rule])
    assert advice.minutes == minutes
    assert advice.authorities == (rule.authority,)


# The longest that any of the four asks for, read off the table above.
@pytest.mark.parametrize(
    ("altitude_m", "minutes"), [(-50, 1), (0, 1), (320, 1), (1523.9, 1), (1524, 3), (1990, 3), (2500, 3)]
)
def test_by_default_the_longest_rule_at_the_altitude_counts(altitude_m, minutes):
    advice = boil_advice(altitude_m)
    assert advice.minutes == minutes
    assert f"{minutes} minute" in advice.words


def test_the_authority_followed_is_named():
    assert boil_advice(1600).authorities == (EPA.authority,)  # the only one of the four that asks for 3 min there
    assert set(boil_advice(2500).authorities) == {EPA.authority, CDC.authority}


@pytest.mark.parametrize("altitude_m", [None, math.nan])
def test_an_altitude_that_is_not_known_takes_the_longest_time(altitude_m):
    advice = boil_advice(altitude_m)
    assert advice.minutes == 3
    assert advice.altitude_m is None


def test_boiling_is_never_said_to_remove_nitrate_or_chemicals():
    # SOURCES.md section 6: boiling concentrates nitrate and does not remove chemicals (seen).
    text = " ".join(CAUTIONS)
    assert "makes nitrate stronger" in text
    assert "does not remove chemicals" in text


def test_the_bleach_alternative_is_the_published_dose_with_its_limit():
    # SOURCES.md section 6: 8.25 % bleach 2 drops per quart/L, double if cloudy, coloured, very cold (seen, S38);
    # stand 30 min (seen, S39); chlorine does not control Cryptosporidium (from memory).
    text = " ".join(ALTERNATIVES)
    assert "2 drops of 8.25 %" in text and "30 minutes" in text and "Cryptosporidium" in text


def test_a_rule_that_cannot_be_is_refused_by_name():
    with pytest.raises(ValueError, match="high_minutes must be at least minutes"):
        BoilRule(authority="x", minutes=3, high_minutes=1, high_m=0, source="")
    with pytest.raises(ValueError, match="at least one BoilRule"):
        boil_advice(0, [])
