"""`tarnlight validation` against the figures of SOURCES.md, sections 2 and 3 (calculated there), in both units."""

from __future__ import annotations

import json

import pytest

from tests.conftest import tarnlight_here


def told(store_path, *words: str) -> dict:
    store_path.parent.mkdir(exist_ok=True)
    found = tarnlight_here(store_path, "validation", *words, "--json")
    assert found.returncode == 0, found.stderr
    return json.loads(found.stdout)[0]


@pytest.mark.parametrize(("bias", "uncertainty", "factor", "dose"), [
    ("1", "20", 1.20, 33.33), ("2.18", "23", 2.6814, 14.918)])
def test_the_factor_and_what_it_makes_of_40_mj_cm2(store_path, bias, uncertainty, factor, dose):
    found = told(store_path, "factor", "--red-bias", bias, "--interpolation", uncertainty, "--red", "40")
    assert found["validation_factor"] == pytest.approx(factor, abs=5e-5)
    assert found["validated_dose_mj_cm2"] == pytest.approx(dose, abs=0.005)


def test_small_uncertainties_drop_out_and_large_ones_add_in_squares(store_path):
    # U_S drops out up to 10 %, U_DR up to 30 % (section 2, from memory)
    small = told(store_path, "factor", "--red-bias", "1", "--interpolation", "20", "--sensor", "10",
                 "--dose-response", "30")
    large = told(store_path, "factor", "--red-bias", "1", "--interpolation", "20", "--sensor", "15")
    assert small["uncertainty_pct"] == 20.0 and large["uncertainty_pct"] == 25.0


DISHES = [  # a per cm, l cm, L cm, E0, Pf, E_avg, t for 40 mJ/cm2
    (0.05, 1, 30, 0.20, 0.95, 0.169339, 236.21), (0.10, 2, 30, 0.20, 0.95, 0.139175, 287.41),
    (0.155, 1, 25, 0.30, 0.93, 0.219977, 181.84)]


@pytest.mark.parametrize("dish", DISHES)
@pytest.mark.parametrize("units", ["metric", "us"])
def test_the_dish_gives_the_same_by_centimetres_and_by_inches(store_path, dish, units):
    a, depth, distance, centre, petri, mean, seconds = dish
    per = 2.54 if units == "us" else 1.0
    found = told(
        store_path, "beam", "--centre", str(centre), "--petri", str(petri), "--absorbance", str(a), "--depth",
        repr(depth / per), "--distance", repr(distance / per), "--units", units, "--dose", "40")
    assert found["fluence_rate_mw_cm2"] == pytest.approx(mean, abs=1e-6)
    assert found["seconds"] == pytest.approx(seconds, abs=0.01)


def test_a_transmittance_stands_for_its_absorbance(store_path):
    # 70 % is A 0.154902 (section 2, calculated there)
    found = told(store_path, "beam", "--centre", "0.3", "--petri", "0.93", "--uvt", "70", "--depth", "1",
                 "--distance", "25")
    assert found["absorbance_per_cm"] == pytest.approx(0.154902, abs=1e-6) and found["seconds"] is None


@pytest.mark.parametrize(("words", "why"), [
    (("factor", "--red-bias", "0.9", "--interpolation", "20"), "red_bias"),
    (("factor", "--red-bias", "1", "--interpolation", "-1"), "interpolation_pct"),
    (("factor", "--red-bias", "1", "--interpolation", "20", "--red", "nan"), "--red"),
    (("beam", "--centre", "0.2", "--petri", "1.1", "--uvt", "90", "--depth", "1", "--distance", "30"), "--petri"),
    (("beam", "--centre", "0.2", "--petri", "0.9", "--uvt", "0", "--depth", "1", "--distance", "30"), "--uvt"),
    (("beam", "--centre", "0.2", "--petri", "0.9", "--uvt", "90", "--depth", "0", "--distance", "30"), "--depth"),
])
def test_what_makes_no_sense_is_refused_by_name(store_path, words, why):
    store_path.parent.mkdir(exist_ok=True)
    found = tarnlight_here(store_path, "validation", *words)
    assert found.returncode == 2 and why in found.stderr, found.stderr


def test_both_units_are_told_and_an_uneven_beam_is_named(store_path):
    store_path.parent.mkdir(exist_ok=True)
    said = tarnlight_here(
        store_path, "validation", "beam", "--centre", "0.2", "--petri", "0.85", "--absorbance", "0.05",
        "--depth", "1", "--distance", "30", "--dose", "40").stdout
    assert "40 mJ/cm2 (400 J/m2) takes" in said and "too uneven" in said
