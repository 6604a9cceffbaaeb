"""The particle model itself, against formulas of others: it judges the dose, so it is judged first."""

import math
from dataclasses import replace

import numpy as np
import pytest
from scipy.integrate import quad

from tests.models.dose.particle_model import (
    DARK_ENDS,
    EVEN,
    Chamber,
    RandomWalk,
    Streamlines,
    laminar_velocity,
    red_mj_cm2,
    reflectance,
    residence_s,
    ring_volume_share,
    sleeve_chances,
    trace,
)

CHAMBER = Chamber(wall_radius_cm=4.4, sleeve_radius_cm=1.2, length_cm=42.0, lamp_uvc_w=13.0)
# No surface bends, takes or throws back light, and the lamp is in nobody's way: what textbook formulas are about.
BARE = replace(CHAMBER, water_index=1.0, quartz_index=1.0, quartz_transmittance=1.0, lamp_radius_cm=0.0)
K_CM2_MJ = 0.115


def ring_middles_cm(chamber, rings):
    """Middle radius of each ring, where 1/r is its own mean over the ring's area."""
    edges = np.linspace(chamber.sleeve_radius_cm, chamber.wall_radius_cm, rings + 1)
    return (edges[1:] + edges[:-1]) / 2


def test_light_at_right_angles_loses_what_fresnel_says():
    # Bolton and Linden 2003 take 2.5 % for air to water (SOURCES.md section 3); index 1.37 at 254 nm.
    assert float(reflectance(1.0, 1.0, 1.37)) == pytest.approx(0.025, abs=0.001)
    assert float(reflectance(1.0, 1.37, 1.0)) == pytest.approx(float(reflectance(1.0, 1.0, 1.37)))
    # Brewster's angle: half of unpolarised light is not thrown back at all there.
    n = 1.37
    brewster = math.cos(math.atan(n))
    assert float(reflectance(brewster, 1.0, n)) == pytest.approx(((n**2 - 1) / (n**2 + 1)) ** 2 / 2)
    # Beyond the critical angle everything comes back.
    assert float(reflectance(0.6, 1.37, 1.0)) == 1.0


def test_a_sleeve_straight_through_passes_what_profiles_state():
    back, passes = sleeve_chances(CHAMBER, np.array([1.0]), 1.0, CHAMBER.water_index)
    assert passes[0] == pytest.approx(0.92, abs=0.005)
    assert back[0] == pytest.approx(0.043, abs=0.003)


def test_a_long_lamp_in_clear_water_falls_off_with_the_distance():
    # Blatchley 1997 (SOURCES.md section 4, from memory): an infinite line gives P_L / (4 r).
    long = replace(BARE, length_cm=600.0, lamp_uvc_w=100.0)
    light = trace(long, 0.0, 0.0, photons=100_000, seed=1, rings=4, slices=3)
    per_cm_mw = 1000.0 * long.lamp_uvc_w / long.length_cm
    middle = light.field_mw_cm2[EVEN, 0, 0, :, 1]
    np.testing.assert_allclose(middle, per_cm_mw / (4 * ring_middles_cm(long, 4)), rtol=0.04)
    # All of it crosses every cylinder, so a surface that faces the lamp gets P_L / (2 pi r).
    reading = trace(long, 0.0, 0.0, sensors_cm=[2.0, 4.4], photons=40_000, seed=2, sensor_half_height_cm=50.0)
    expected = 10.0 * per_cm_mw / (2 * math.pi * np.array([2.0, 4.4]))
    np.testing.assert_allclose(reading.reading_w_m2[EVEN, 0, 0], expected, rtol=0.01)


def test_a_short_lamp_follows_the_line_source_formula():
    # E = (P/L)/(4 pi r) [atan((L/2+z)/r) + atan((L/2-z)/r)], Blatchley 1997 (SOURCES.md section 4, from memory).
    light = trace(BARE, 0.0, 0.0, photons=100_000, seed=3, rings=8, slices=6)
    r, z = ring_middles_cm(BARE, 8)[:, None], ((np.arange(6) + 0.5) / 6 - 0.5) * 42.0
    fine = z[:, None] + np.linspace(-3.5, 3.5, 201)
    angles = np.arctan((21 + fine) / r[..., None]) + np.arctan((21 - fine) / r[..., None])
    expected = 1000.0 * 13 / 42 / (4 * math.pi * r) * angles.mean(axis=-1)
    np.testing.assert_allclose(light.field_mw_cm2[EVEN, 0, 0], expected, rtol=0.03)
    assert (light.field_mw_cm2[EVEN, 0, 0] / expected).mean() == pytest.approx(1.0, abs=0.003)


def test_water_absorbs_along_the_slant_way():
    # Point sources along an infinite line, each by Beer and Lambert over the way from the sleeve, by quadrature.
    long, absorption = replace(BARE, length_cm=300.0, lamp_uvc_w=100.0), 0.2
    light = trace(long, absorption, 0.0, photons=40_000, seed=4, rings=8, slices=3)
    radii = ring_middles_cm(long, 8)

    def at(radius):
        def slanting(f):
            return math.exp(-absorption * (radius - long.sleeve_radius_cm) / math.cos(f))

        return 1000.0 * 100 / 300 / (4 * math.pi * radius) * quad(slanting, -math.pi / 2, math.pi / 2)[0]

    np.testing.assert_allclose(light.field_mw_cm2[EVEN, 0, 0, :, 1], [at(r) for r in radii], rtol=0.03)


def test_a_mirror_multiplies_the_field_as_the_series_says():
    # Clear water, nothing in the way: every bounce adds a pass in and one out, 1 + 2 (R + R^2 + ...).
    long = replace(BARE, length_cm=600.0, lamp_uvc_w=100.0)
    light = trace(long, 0.0, [0.0, 0.3, 0.6], photons=20_000, seed=5, rings=4, slices=3)
    middle = light.field_mw_cm2[EVEN, 0, :, :, 1]
    np.testing.assert_allclose(middle[1] / middle[0], 1.3 / 0.7, rtol=0.03)
    np.testing.assert_allclose(middle[2] / middle[0], 1.6 / 0.4, rtol=0.05)


def test_a_diffuse_wall_brightens_itself_as_a_closed_room_does():
    # All light ends in the wall, so what falls on it is P / (A (1 - R)): the integrating sphere's rule.
    long = replace(BARE, length_cm=600.0, lamp_uvc_w=100.0, diffuse_wall=True)
    light = trace(long, 0.0, [0.0, 0.6], sensors_cm=[4.4], photons=20_000, seed=6, sensor_half_height_cm=100.0,
                  rings=2, slices=3)
    reading = light.reading_w_m2[EVEN, 0, :, 0]
    assert reading[1] / reading[0] == pytest.approx(1 / 0.4, rel=0.03)


@pytest.mark.parametrize("diffuse", [False, True])
@pytest.mark.parametrize("cosine", [False, True])
def test_light_neither_gets_lost_nor_appears(diffuse, cosine):
    chamber = replace(CHAMBER, diffuse_wall=diffuse, cosine_lamp=cosine)
    light = trace(chamber, [0.03, 0.3], [0.0, 0.5, 0.9], photons=20_000, seed=7)
    assert set(light.share) == {"water", "wall", "lamp", "ends", "given up"}
    np.testing.assert_allclose(sum(light.share.values())[EVEN], 1.0, rtol=0.002)
    # The lamp with dark ends gives half over two fifths of its length: four fifths in all.
    np.testing.assert_allclose(sum(light.share.values())[DARK_ENDS], 0.8, rtol=0.002)
    assert light.share["water"][EVEN].min() > 0.05
    assert light.share["given up"].max() < 0.002


def test_laminar_water_takes_the_mean_time_and_is_fastest_in_between():
    lines = Streamlines.through(CHAMBER)
    assert lines.share @ (1 / lines.velocity) == pytest.approx(1.0, rel=1e-4)
    # A narrow gap is that between two plates, whose greatest velocity is 1.5 times the mean (any textbook).
    narrow = replace(CHAMBER, sleeve_radius_cm=4.399)
    assert laminar_velocity(narrow, np.linspace(4.399, 4.4, 101)).max() == pytest.approx(1.5, rel=1e-3)
    assert laminar_velocity(CHAMBER, [1.2, 4.4]) == pytest.approx([0.0, 0.0], abs=1e-12)


def test_particles_spread_evenly_and_as_fast_as_their_diffusivity():
    walk = RandomWalk.through(CHAMBER, particles=4000, seed=8)
    rings = np.bincount(walk.ring[-1], minlength=32) / 4000
    np.testing.assert_allclose(rings.cumsum(), ring_volume_share(CHAMBER, 32).cumsum(), atol=0.03)
    # A wide gap, far from its walls: the mean square of the way along the radius is 2 D t (Einstein, any textbook).
    wide = replace(CHAMBER, sleeve_radius_cm=100.0, wall_radius_cm=140.0)
    far = RandomWalk.through(wide, particles=4000, seed=9, rings=4000, eddy_over_velocity_cm=0.05)
    inside = (far.ring[0] > 1000) & (far.ring[0] < 3000)
    moved = (far.ring[-1][inside] - far.ring[0][inside]) * 40.0 / 4000
    assert moved.std() == pytest.approx(math.sqrt(2 * 0.05 * 42.0), rel=0.05)


def test_water_well_mixed_across_gets_mean_light_times_time_and_none_gets_more():
    light = trace(CHAMBER, 0.2877, 0.3, photons=20_000, seed=10, rings=8, slices=12)
    field, time_s = light.field_mw_cm2[EVEN, 0, 0], residence_s(CHAMBER, 30.0)
    mean = float(light.mean_mw_cm2()[EVEN, 0, 0]) * time_s
    assert time_s == pytest.approx(60 * 2.364488 / 30, rel=1e-6)
    mixed = RandomWalk.through(
        CHAMBER, particles=1000, seed=11, rings=8, slices=12, steps_a_slice=400, eddy_over_velocity_cm=3.0)
    plug = red_mj_cm2(mixed.doses_mj_cm2(CHAMBER, field, 30.0), mixed.share, K_CM2_MJ)
    assert plug == pytest.approx(mean, rel=0.03)
    lines = Streamlines.through(CHAMBER)
    laminar = red_mj_cm2(lines.doses_mj_cm2(CHAMBER, field, 30.0), lines.share, K_CM2_MJ)
    walk = RandomWalk.through(CHAMBER, particles=1000, seed=12, rings=8, slices=12)
    turbulent = red_mj_cm2(walk.doses_mj_cm2(CHAMBER, field, 30.0), walk.share, K_CM2_MJ)
    assert max(laminar, turbulent) < plug <= mean * 1.01
    # In light that is the same everywhere, water of one velocity has one dose.
    assert red_mj_cm2(walk.doses_mj_cm2(CHAMBER, np.ones((8, 12)), 30.0), walk.share, K_CM2_MJ) == pytest.approx(
        time_s)


def test_reduction_of_a_gamma_of_doses_is_that_of_tanks_in_series():
    # SOURCES.md section 4: 3 tanks, k 0.1151, mean dose 40 give a RED of 24.2414.
    rng = np.random.default_rng(13)
    doses = rng.gamma(3.0, 40.0 / 3.0, 400_000)
    assert red_mj_cm2(doses, np.full(doses.size, 1 / doses.size), 0.1151) == pytest.approx(24.2414, rel=0.003)
