"""The dose's lower bound against an independent model of the chamber, `particle_model`, whose truth is known.

A kind of unit is "tested in the laboratory" inside the particle model: water of 75 %, new lamp, the flow at which
the organism's reduction equivalent dose is 40 mJ/cm2. Its profile holds what came out of that, and no more. Then
other water, other flows and a weaker lamp: the profile gets the particle model's reading, free of error, and its
bound must not promise more than the particles got.

What of the truth is chance: `OWN_ERROR`, held by the first test here. `pytest -m slow -s` prints the tables.
"""

from __future__ import annotations

import math
from dataclasses import dataclass, replace
from functools import cache

import numpy as np
import pandas as pd
import pytest

from models.dose import assess
from models.fleet import Reactor, ValidationPoint
from tests.models.dose.particle_model import (
    DARK_ENDS,
    EVEN,
    Chamber,
    Light,
    RandomWalk,
    Streamlines,
    red_mj_cm2,
    residence_s,
    ring_volume_share,
    trace,
)

pytestmark = [pytest.mark.slow, pytest.mark.timeout(900)]

K_CM2_MJ = 0.115
TEST_RED_MJ_CM2 = 40.0
TEST_UVT_PCT = 75.0
BAND_POINTS = 4.0  # of a water test that is fresh: the profile's default
OWN_ERROR = 0.01  # of bound over truth, by chance and by the fineness of the particle model

PHOTONS, BATCHES, PARTICLES = 400_000, 4, 20_000  # photons of each batch
WATERS_PCT = (75.0, 78.0, 79.0, 81.0, 82.0, 85.0, 86.0, 89.0, 90.0, 97.0)
LIVE_WATERS_PCT = (75.0, 82.0, 90.0, 97.0)
TESTED_WATERS_PCT = (75.0, 82.0, 85.0)
WALLS = (0.0, 0.3, 0.6, 0.9)
FLOW_SHARES = (0.3, 0.6, 1.0)
SLOW_TESTS = (0.3, 0.6)  # of the test's flow, where the laboratory tried more than one
OUTPUTS = (1.0, 0.7)
LAMP = {EVEN: "even", DARK_ENDS: "dark ends"}

CHAMBERS = {
    "wide": Chamber(wall_radius_cm=4.4, sleeve_radius_cm=1.2, length_cm=42.0, lamp_uvc_w=13.0),
    "narrow": Chamber(wall_radius_cm=3.5, sleeve_radius_cm=1.15, length_cm=30.0, lamp_uvc_w=6.0),
}
WALL_KINDS = {"mirror": False, "diffuse": True}
# Of the gap, from the sleeve on; the profile leaves the wall out, as its default.
SENSORS = {"wall": 1.0, "half-way": 0.5, "near sleeve": 0.125}
# The last: eddies at the test's flow, and none at less, as a Reynolds number of some 2,000 has it.
MIXING = ("laminar", "turbulent", "laminar at less flow")


def sensors_cm(chamber: Chamber) -> list[float]:
    return [
        chamber.wall_radius_cm if share == 1.0 else chamber.sleeve_radius_cm + share * chamber.gap_cm
        for share in SENSORS.values()
    ]


@cache
def batches(geometry: str, wall_kind: str) -> tuple[Light, ...]:
    """The chamber's light, by photons of their own in each."""
    chamber = replace(CHAMBERS[geometry], diffuse_wall=WALL_KINDS[wall_kind])
    absorption = -np.log(np.array(WATERS_PCT) / 100)
    return tuple(
        trace(chamber, absorption, WALLS, sensors_cm=sensors_cm(chamber), photons=PHOTONS, seed=seed)
        for seed in range(BATCHES)
    )


def pooled(lights: tuple[Light, ...]) -> Light:
    return Light(
        chamber=lights[0].chamber, field_mw_cm2=sum(x.field_mw_cm2 for x in lights) / len(lights), share={},
        reading_w_m2=sum(x.reading_w_m2 for x in lights) / len(lights),
    )


@cache
def walk(geometry: str, particles: int = PARTICLES, seed: int = 20) -> RandomWalk:
    return RandomWalk.through(CHAMBERS[geometry], particles=particles, seed=seed, steps_a_slice=2)


@dataclass(frozen=True)
class Water:
    """Doses at 1 L/min by regime, lamp and water, for one wall; dose goes with 1/flow in both regimes."""

    doses: dict[str, dict[tuple[int, float], np.ndarray]]
    share: dict[str, np.ndarray]

    @classmethod
    def of(cls, light: Light, walking: RandomWalk, wall: int) -> Water:
        ways = {"laminar": Streamlines.through(light.chamber), "turbulent": walking}
        return cls(
            doses={name: {
                (lamp, uvt): way.doses_mj_cm2(light.chamber, light.field_mw_cm2[lamp, number, wall], 1.0)
                for lamp in LAMP for number, uvt in enumerate(WATERS_PCT)
            } for name, way in ways.items()},
            share={name: way.share for name, way in ways.items()},
        )

    def red(self, mixing: str, lamp: int, uvt: float, flow: float, *, share: float = 1.0, output: float = 1.0):
        """RED at a flow that is this share of the test's."""
        if mixing == "laminar at less flow":
            mixing = "laminar" if share < 1.0 else "turbulent"
        return red_mj_cm2(self.doses[mixing][lamp, uvt] * (output / flow), self.share[mixing], K_CM2_MJ)

    def test_flow(self, mixing: str) -> float:
        """The flow at which the laboratory finds its RED, by halving."""
        least, most = 0.1, 1000.0
        for _ in range(30):
            flow = math.sqrt(least * most)
            enough = self.red(mixing, EVEN, TEST_UVT_PCT, flow) > TEST_RED_MJ_CM2
            least, most = (flow, most) if enough else (least, flow)
        return math.sqrt(least * most)


def fitting_tanks(chamber: Chamber, sensor_cm: float, reading_w_m2: float, flow_l_min: float) -> int:
    """The number of tanks whose RED, of the radial field seen by the sensor, comes nearest to the test's."""
    a, inner, outer = -math.log(TEST_UVT_PCT / 100), chamber.sleeve_radius_cm, chamber.wall_radius_cm
    gap = outer - inner
    ratio = 2 * sensor_cm / (outer**2 - inner**2) * (1 - math.exp(-a * gap)) / a * math.exp(a * (sensor_cm - inner))
    dose = 0.1 * reading_w_m2 * ratio * residence_s(chamber, flow_l_min)
    tanks = np.arange(1, 201)
    return int(tanks[np.argmin(np.abs(tanks / K_CM2_MJ * np.log1p(K_CM2_MJ * dose / tanks) - TEST_RED_MJ_CM2))])


def cases_of(
    light: Light, water: Water, wall: int, *, walking: str, lamp: int = EVEN, ends_pct: float = 0.0,
    tested_slow: bool = False,
) -> list[pd.DataFrame]:
    """Every reading of one chamber, wall and mixing: what is claimed of it and what is true."""
    chamber, found = light.chamber, []
    flow = water.test_flow(walking)
    grid = pd.MultiIndex.from_product([FLOW_SHARES, OUTPUTS, WATERS_PCT], names=["flow", "output", "uvt"])
    grid = grid.to_frame(index=False)
    grid["truth"] = [
        water.red(walking, lamp, row.uvt, row.flow * flow, share=row.flow, output=row.output)
        for row in grid.itertuples()
    ]
    for number, (sensor, at) in enumerate(zip(SENSORS, sensors_cm(chamber), strict=True)):
        readings = light.reading_w_m2[:, :, wall, number]
        tested = float(readings[EVEN, WATERS_PCT.index(TEST_UVT_PCT)])
        reading = grid["output"] * readings[lamp][[WATERS_PCT.index(uvt) for uvt in grid["uvt"]]]
        fitted = fitting_tanks(chamber, at, tested, flow)
        for stated, tanks in (("fitted", fitted), ("4", 4)):
            reactor = Reactor(
                name="traced", chamber_inner_radius_cm=chamber.wall_radius_cm,
                sleeve_outer_radius_cm=chamber.sleeve_radius_cm, arc_length_cm=chamber.length_cm,
                lamp_uvc_w=chamber.lamp_uvc_w, sleeve_transmittance=0.92, mixing_tanks=tanks,
                test_flow_l_min=flow, test_uvt_pct=TEST_UVT_PCT, test_intensity_w_m2=tested,
                test_red_mj_cm2=TEST_RED_MJ_CM2, challenge_k_cm2_mj=K_CM2_MJ, alarm_intensity_w_m2=0.7 * tested,
                sensor_radius_cm=None if sensor == "wall" else at, unseen_end_loss_pct=ends_pct,
                tests=tuple(
                    ValidationPoint(
                        flow_l_min=share * flow, uvt_pct=TEST_UVT_PCT, intensity_w_m2=tested,
                        red_mj_cm2=float(water.red(walking, EVEN, TEST_UVT_PCT, share * flow, share=share)))
                    for share in (SLOW_TESTS if tested_slow else ())),
            )
            for known in ("live", *TESTED_WATERS_PCT):
                rows = grid if known != "live" else grid[grid["uvt"].isin(LIVE_WATERS_PCT)]
                claim = assess(
                    reactor, intensity_w_m2=reading[rows.index].to_numpy(), uvt_live=known == "live",
                    flow_l_min=(rows["flow"] * flow * (1 - 1e-12)).to_numpy(),
                    uvt_pct=rows["uvt"].to_numpy() if known == "live" else known,
                )
                found.append(rows.assign(
                    sensor=sensor, tanks=stated, n=tanks, known=str(known), low=claim.red_low_mj_cm2,
                    value=claim.red_mj_cm2,
                    in_band=True if known == "live" else (rows["uvt"] - known).abs() <= BAND_POINTS,
                ))
    return found


@cache
def cases(lamp: int = EVEN, ends_pct: float = 0.0, tested_slow: bool = False) -> pd.DataFrame:
    """The whole grid, one row for each reading.

    `ends_pct` is what the profile says that ends may lose unseen; with `tested_slow` the laboratory also tried less
    flow (`SLOW_TESTS`).
    """
    found = []
    for geometry in CHAMBERS:
        for wall_kind in WALL_KINDS:
            light = pooled(batches(geometry, wall_kind))
            for wall, reflectance in enumerate(WALLS):
                if reflectance == 0.0 and wall_kind != "mirror":
                    continue  # a black wall is of no kind
                water = Water.of(light, walk(geometry), wall)
                for mixing in MIXING:
                    found += [frame.assign(
                        geometry=geometry, wall=reflectance, kind="black" if reflectance == 0 else wall_kind,
                        mixing=mixing,
                    ) for frame in cases_of(light, water, wall, walking=mixing, lamp=lamp, ends_pct=ends_pct,
                                      tested_slow=tested_slow)]
    frame = pd.concat(found, ignore_index=True)
    return frame.assign(ratio=frame["low"] / frame["truth"], plain=frame["value"] / frame["truth"])


def show(title: str, frame: pd.DataFrame) -> None:
    """Print the worst ratios of each, for `-s`."""
    print(f"\n{title}: worst bound over truth (above 1: more promised than given)")
    for by, columns in ((["kind", "wall", "mixing"], "sensor"), (["mixing", "flow"], ["tanks", "sensor"])):
        print(frame.pivot_table(index=by, columns=columns, values="ratio", aggfunc="max").round(3).to_string())
    over = frame["ratio"] > 1 + OWN_ERROR
    plain = frame["plain"]
    print(f"{over.sum()} of {len(frame)} bounds above the truth; of central values "
          f"{(plain > 1 + OWN_ERROR).sum()}, the worst {plain.max():.3f}; "
          f"bound over truth in the middle {frame['ratio'].median():.3f}")


def exceeding(frame: pd.DataFrame) -> pd.DataFrame:
    """Rows whose bound promises more than the particles got, the worst first."""
    return frame[frame["ratio"] > 1 + OWN_ERROR].sort_values("ratio", ascending=False)


def hold(frame: pd.DataFrame) -> None:
    """No bound above its truth."""
    assert len(frame) and frame["ratio"].notna().all()
    over = exceeding(frame)
    columns = ["geometry", "kind", "wall", "sensor", "mixing", "n", "known", "uvt", "output", "flow", "truth"]
    assert not len(over), (
        f"{len(over)} of {len(frame)} bounds lie above the truth; the worst:\n"
        f"{over[[*columns, 'low', 'ratio']].head(8).round(3).to_string(index=False)}")


CONVERGED = [
    ("narrow", "diffuse", 0.9), ("wide", "diffuse", 0.6), ("wide", "mirror", 0.9), ("wide", "mirror", 0.0),
]


@pytest.mark.parametrize(("geometry", "wall_kind", "reflectance"), CONVERGED)
def test_the_particle_models_own_error_is_as_stated(geometry, wall_kind, reflectance):
    wall, lights = WALLS.index(reflectance), batches(geometry, wall_kind)

    def ratios(light, walking):
        water = Water.of(light, walking, wall)
        frame = pd.concat(
            [x.assign(mixing=mixing) for mixing in MIXING for x in cases_of(light, water, wall, walking=mixing)])
        return (frame["low"] / frame["truth"]).to_numpy()

    whole = ratios(pooled(lights), walk(geometry))
    # Chance of the photons: each batch is an experiment of its own, test and reading and truth.
    each = np.array([ratios(light, walk(geometry)) for light in lights])
    by_chance = each.std(axis=0, ddof=1) / whole / math.sqrt(BATCHES)
    # Chance of the particles: half as many, and others.
    other = np.abs(ratios(pooled(lights), walk(geometry, PARTICLES // 2, seed=21)) / whole - 1)
    # Fineness: half as many rings, each the mean of two.
    whole_light, walking = pooled(lights), walk(geometry)
    volume = ring_volume_share(whole_light.chamber, 32)[:, None]
    field = whole_light.field_mw_cm2 * volume
    wide = (field[..., ::2, :] + field[..., 1::2, :]) / (volume[::2] + volume[1::2])
    coarse = ratios(replace(whole_light, field_mw_cm2=wide), replace(walking, ring=walking.ring // 2))
    fineness = np.abs(coarse / whole - 1)
    print(
        f"\n{geometry} {wall_kind} {reflectance}: photons {by_chance.mean():.4f} (95 %: "
        f"{np.quantile(by_chance, 0.95):.4f}), particles {other.mean():.4f} (most {other.max():.4f}), "
        f"rings {fineness.mean():.4f} (most {fineness.max():.4f})")
    assert np.quantile(by_chance, 0.95) < OWN_ERROR / 2
    assert np.quantile(other, 0.95) < OWN_ERROR
    assert np.quantile(fineness, 0.95) < OWN_ERROR


def known_live(frame: pd.DataFrame) -> pd.DataFrame:
    return frame[frame["known"] == "live"]


def known_by_a_test(frame: pd.DataFrame) -> pd.DataFrame:
    return frame[frame["known"] != "live"]


def test_print_the_tables():
    even, dark = cases(), cases(DARK_ENDS)
    tested = known_by_a_test(even)
    show("transmittance live", known_live(even))
    show("water test, the water within its band", tested[tested["in_band"]])
    show("water test, the water beyond its band (nothing holds these)", tested[~tested["in_band"]])
    show("lamp with dark ends, live or within the band", dark[dark["in_band"]])
    assert len(even) == len(dark) == 2 * 7 * 3 * 3 * 2 * 6 * (4 + 3 * 10)


@pytest.mark.parametrize("mixing", [
    "laminar",
    "turbulent",
    pytest.param("laminar at less flow", marks=pytest.mark.xfail(strict=True, reason=(
        "one test in turbulent water says nothing of laminar water (DEVELOPERS.md, What is open)"))),
])
@pytest.mark.parametrize("known", [known_live, known_by_a_test], ids=lambda x: x.__name__)
def test_bound_never_promises_more_than_the_particles_got(known, mixing):
    hold(known(cases()).query("in_band and mixing == @mixing"))


@pytest.mark.parametrize("mixing", MIXING)
@pytest.mark.parametrize("known", [known_live, known_by_a_test], ids=lambda x: x.__name__)
def test_bound_holds_in_every_mixing_where_less_flow_was_tested_too(known, mixing):
    hold(known(cases(tested_slow=True)).query("in_band and mixing == @mixing"))


@pytest.mark.xfail(strict=True, reason="one sensor does not see the ends (DEVELOPERS.md, What is open)")
def test_bound_holds_when_the_ends_of_the_lamp_have_gone_dark_and_nobody_counted_on_it():
    # The sensor in the middle sees next to nothing of it.
    hold(cases(DARK_ENDS).query("in_band and mixing != 'laminar at less flow'"))


def test_bound_holds_when_the_ends_have_gone_dark_by_as_much_as_the_profile_allows_for():
    # half of the output over a fifth of the arc at both ends: a fifth of the light
    hold(cases(DARK_ENDS, ends_pct=20.0).query("in_band and mixing != 'laminar at less flow'"))
