"""An annular chamber around an axial lamp from first principles: photons for the light, particles for the water.

Written apart from `models/`, of which it imports nothing, so that the two can be held against each other. What it
leaves out: polarisation, waves, scattering in the water, the flow's entry and exit, fluorescence of the lamp.

Light: photons leave a line on the axis, cross the sleeve (air, quartz, water: Snell, Fresnel, absorption in the
quartz), are absorbed by the water along their slant way (Beer and Lambert), and come back from a wall that
reflects like a mirror or diffusely. Ends are open. A photon carries no weight of its own: every stretch of its way
is counted for all waters and all reflectances at once, by how far it came through water and how often it met the
wall. So all waters and walls share the same photons, and comparing them is nearly free of chance.

Water: laminar, each particle on its own streamline of the annulus' parabolic profile; or turbulent, one velocity
for all and a random walk across. A particle's dose is the sum of the light on its way.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike, NDArray

Floats = NDArray[np.float64]

MW_PER_W = 1000.0
W_M2_PER_MW_CM2 = 10.0
POINTS_A_STRETCH = 5  # at which a stretch through water is counted; chance decides where in its fifth each lies
LEFT_AT_MOST = 0.003  # of a photon, when the wall has taken the rest: it is given up, and counted as such
PHOTONS_AT_ONCE = 50_000

# Mean eddy diffusivity of a channel: kappa / 6 x friction velocity x half its width, kappa 0.4 (Elder 1959);
# friction velocity 0.067 x mean velocity at a Reynolds number of some 6000 (Blasius). Both from memory.
EDDY_OVER_VELOCITY_HALF_GAP = 0.4 / 6 * 0.067


@dataclass(frozen=True, kw_only=True)
class Chamber:
    """What the light needs to know. The lamp is as long as the chamber and gives `lamp_uvc_w` where it's even."""

    wall_radius_cm: float
    sleeve_radius_cm: float
    length_cm: float
    lamp_uvc_w: float
    lamp_radius_cm: float = 0.75  # what comes back to it is lost; 0: nothing is in the way
    cosine_lamp: bool = False  # radiant intensity by the cosine to the normal; else alike in all directions
    diffuse_wall: bool = False
    # At 254 nm, from memory: water 1.37 (Hale and Querry 1973), fused silica 1.505 (Malitson 1965).
    water_index: float = 1.37
    quartz_index: float = 1.505
    quartz_transmittance: float = 0.96  # of the bulk, straight through

    @property
    def gap_cm(self) -> float:
        """Water between sleeve and wall."""
        return self.wall_radius_cm - self.sleeve_radius_cm

    @property
    def volume_cm3(self) -> float:
        """Water."""
        return math.pi * (self.wall_radius_cm**2 - self.sleeve_radius_cm**2) * self.length_cm


@dataclass(frozen=True, kw_only=True)
class Light:
    """What some photons came to. Axes: lamp's profile, water, wall's reflectance, and then their own.

    Attributes
    ----------
    field_mw_cm2 : ndarray, shape (2, waters, walls, rings, slices)
        Fluence rate, mean over each cell.
    reading_w_m2 : ndarray, shape (2, waters, walls, sensors)
        Irradiance at mid-length on a surface that faces the axis.
    share : dict of ndarray, shape (2, waters, walls)
        Of an even lamp's photons: absorbed in water, in the wall, in lamp and sleeve, out of the ends, given up.
        Water is summed from the field, so that the sum of all holds the field against what became of the photons.
    """

    chamber: Chamber
    field_mw_cm2: Floats
    reading_w_m2: Floats
    share: dict[str, Floats]

    def mean_mw_cm2(self) -> Floats:
        """Mean over the water."""
        volume = ring_volume_share(self.chamber, self.field_mw_cm2.shape[-2])
        return np.einsum("...rz,r->...", self.field_mw_cm2, volume) / self.field_mw_cm2.shape[-1]


EVEN, DARK_ENDS = 0, 1  # the lamp's profiles along the arc; both cost no more than one


def profile(height_cm: Floats, length_cm: float) -> Floats:
    """Output over that of an even lamp: even, and with half of it over a fifth of the arc at both ends. (2, n)"""
    at_end = np.abs(height_cm) > 0.3 * length_cm
    return np.stack([np.ones_like(height_cm), np.where(at_end, 0.5, 1.0)])


def ring_volume_share(chamber: Chamber, rings: int) -> Floats:
    """Share of the water in each of some rings of equal width."""
    edges = np.linspace(chamber.sleeve_radius_cm, chamber.wall_radius_cm, rings + 1)
    return np.diff(edges**2) / (edges[-1] ** 2 - edges[0] ** 2)


def reflectance(cosine: ArrayLike, from_index: float, to_index: float) -> Floats:
    """Fresnel, light without polarisation, at one surface; 1 beyond the critical angle."""
    cosine = np.asarray(cosine, dtype=float)
    sine = from_index / to_index * np.sqrt(np.maximum(0.0, 1.0 - cosine**2))
    onward = np.sqrt(np.maximum(0.0, 1.0 - sine**2))
    across = (from_index * cosine - to_index * onward) / (from_index * cosine + to_index * onward)
    along = (from_index * onward - to_index * cosine) / (from_index * onward + to_index * cosine)
    return np.where(sine >= 1.0, 1.0, (across**2 + along**2) / 2)


def sleeve_chances(chamber: Chamber, cosine: Floats, from_index: float, to_index: float) -> tuple[Floats, Floats]:
    """Chance to be thrown back by a thin sleeve, and to pass it; the rest stays in the quartz."""
    quartz = chamber.quartz_index
    sine = from_index / quartz * np.sqrt(np.maximum(0.0, 1.0 - cosine**2))
    within = np.sqrt(np.maximum(1e-12, 1.0 - sine**2))
    first, second = reflectance(cosine, from_index, quartz), reflectance(within, quartz, to_index)
    bulk = chamber.quartz_transmittance ** (1.0 / within)
    round_trip = 1.0 - first * second * bulk**2
    passes = (1.0 - first) * (1.0 - second) * bulk / round_trip
    back = first + (1.0 - first) ** 2 * second * bulk**2 / round_trip
    return back, np.where(second >= 1.0, 0.0, passes)


class _Tally:
    """Sums over photons by water and by meetings with the wall, for both profiles of the lamp."""

    def __init__(self, absorption: Floats, bins: int, most_bounces: int) -> None:
        self.absorption, self.bins, self.most_bounces = absorption, bins, most_bounces
        self.sums = np.zeros((2, len(absorption), most_bounces + 1, bins))

    def add(self, output: Floats, through_cm: Floats, bounces: NDArray, place: NDArray, amount: ArrayLike) -> None:
        key = bounces * self.bins + place
        for water, absorption in enumerate(self.absorption):
            counted = amount * np.exp(-absorption * through_cm)
            for lamp in (EVEN, DARK_ENDS):
                self.sums[lamp, water] += np.bincount(
                    key, counted * output[lamp], minlength=self.sums[lamp, water].size
                ).reshape(self.sums.shape[2:])

    def at_walls(self, wall: Floats) -> Floats:
        """Sum over the meetings, each of which leaves `wall`: shape (2, waters, walls, bins)."""
        return np.einsum("pabx,rb->parx", self.sums, wall[:, None] ** np.arange(self.most_bounces + 1))


def trace(
    chamber: Chamber, absorption_per_cm: ArrayLike, wall_reflectance: ArrayLike, *, sensors_cm: ArrayLike = (),
    photons: int, seed: int, rings: int = 32, slices: int = 48, sensor_half_height_cm: float = 2.0,
) -> Light:
    """Follow photons from the lamp to their end.

    Parameters
    ----------
    absorption_per_cm, wall_reflectance : array_like
        Waters, to base e, and walls, 0 to 0.9.
    sensors_cm : array_like
        Distances of sensors from the axis. Symmetry makes a ring of each, as high as stated.
    """
    absorption, wall = (np.atleast_1d(np.asarray(x, float)) for x in (absorption_per_cm, wall_reflectance))
    sensors = np.atleast_1d(np.asarray(sensors_cm, float))
    rng = np.random.default_rng(seed)
    most = math.ceil(math.log(LEFT_AT_MOST) / math.log(wall.max())) if wall.max() > 0 else 0
    bins = {"field": rings * slices, "sensor": len(sensors), "wall": 1, "lamp": 1, "ends": 1, "given up": 1}
    tallies = {what: _Tally(absorption, count, most) for what, count in bins.items()}
    for start in range(0, photons, PHOTONS_AT_ONCE):
        _follow(
            chamber, rng, min(PHOTONS_AT_ONCE, photons - start), tallies, sensors, (rings, slices),
            sensor_half_height_cm,
        )
    per_photon_mw = MW_PER_W * chamber.lamp_uvc_w / photons
    cell = chamber.volume_cm3 * ring_volume_share(chamber, rings) / slices
    field = tallies["field"].at_walls(wall).reshape(2, len(absorption), len(wall), rings, slices)
    ring_cm2 = 2 * math.pi * sensors * 2 * sensor_half_height_cm
    share = {fate: tallies[fate].at_walls(wall)[..., 0] / photons for fate in ("wall", "lamp", "ends", "given up")}
    share["wall"] = share["wall"] * (1 - wall)
    share["given up"] = share["given up"] * wall  # at its last meeting the wall took its part too
    share["water"] = np.einsum("parxz,a->par", field, absorption) / photons
    return Light(
        chamber=chamber, field_mw_cm2=field * per_photon_mw / cell[:, None], share=share,
        reading_w_m2=tallies["sensor"].at_walls(wall) * per_photon_mw / ring_cm2 * W_M2_PER_MW_CM2,
    )


def _follow(
    chamber: Chamber, rng: np.random.Generator, count: int, tallies: dict[str, _Tally], sensors: Floats,
    cells: tuple[int, int], half_height: float,
) -> None:
    """Some photons, each a column: where it is, where it goes, what it went through."""
    inner, outer, half = chamber.sleeve_radius_cm, chamber.wall_radius_cm, chamber.length_cm / 2
    at, way = np.zeros((3, count)), np.zeros((3, count))
    at[2] = (rng.permutation(count) + rng.random(count)) / count * 2 * half - half
    output = profile(at[2], chamber.length_cm)
    way[2] = (
        np.sqrt(rng.random(count)) * np.cos(2 * math.pi * rng.random(count)) if chamber.cosine_lamp
        else 2 * (rng.permutation(count) + rng.random(count)) / count - 1
    )
    way[0] = np.sqrt(1 - way[2] ** 2)
    through, bounces = np.zeros(count), np.zeros(count, dtype=np.int64)
    in_water, fresh = np.zeros(count, dtype=bool), np.ones(count, dtype=bool)
    zero = np.zeros(count, dtype=np.int64)
    while len(through):
        across = way[0] ** 2 + way[1] ** 2
        inward = at[0] * way[0] + at[1] * way[1]
        radius2 = at[0] ** 2 + at[1] ** 2

        def leaves(radius: float, across=across, inward=inward, radius2=radius2) -> Floats:
            """Way to the cylinder's far side, NaN if it's missed."""
            with np.errstate(invalid="ignore", divide="ignore"):
                return (-inward + np.sqrt(inward**2 - across * (radius2 - radius**2))) / across

        def enters(radius: float, across=across, inward=inward, radius2=radius2) -> Floats:
            """Way to its near side, inf if it's missed or lies behind."""
            with np.errstate(invalid="ignore", divide="ignore"):
                found = (-inward - np.sqrt(inward**2 - across * (radius2 - radius**2))) / across
            return np.where((inward < 0) & ~np.isnan(found), np.maximum(found, 0.0), np.inf)

        with np.errstate(divide="ignore"):
            to_end = np.where(way[2] == 0, np.inf, (np.copysign(half, way[2]) - at[2]) / way[2])
        to_inside = np.where(in_water, enters(inner), np.inf if not chamber.lamp_radius_cm else np.where(
            fresh, np.inf, enters(chamber.lamp_radius_cm)))
        to_outside = np.fmin(np.where(in_water, leaves(outer), leaves(inner)), 1e9)
        length = np.minimum(np.minimum(to_end, to_inside), to_outside)

        wet = np.flatnonzero(in_water)
        if len(wet):
            _count_stretches(
                tallies["field"], rng, at=at[:, wet], way=way[:, wet], length=length[wet], through=through[wet],
                bounces=bounces[wet], output=output[:, wet], bounds=(inner, outer, half), cells=cells)
            for number, radius in enumerate(sensors):
                # At the wall rounding must not decide whether the last point of a stretch belongs to it.
                to = to_outside if radius == outer else leaves(radius)
                height = at[2] + to * way[2]
                with np.errstate(invalid="ignore"):
                    seen = in_water & (to > 0) & (to <= length) & (np.abs(height) < half_height)
                tallies["sensor"].add(
                    output[:, seen], through[seen] + to[seen], bounces[seen], zero[seen] + number, 1.0)
        at = at + length * way
        through = through + np.where(in_water, length, 0.0)
        out = length == to_end
        hits_wall = in_water & (length == to_outside) & ~out
        hits_lamp = ~in_water & (length == to_inside) & ~out
        at_sleeve = ~out & ~hits_wall & ~hits_lamp

        tired = hits_wall & (bounces == tallies["wall"].most_bounces)
        stuck = np.zeros_like(out)
        normal = at[:2] / np.maximum(np.hypot(at[0], at[1]), 1e-300)
        hit = np.flatnonzero(hits_wall)
        tallies["wall"].add(output[:, hit], through[hit], bounces[hit], zero[hit], 1.0)
        _off_the_wall(chamber, rng, at, way, normal, hit)
        met = np.flatnonzero(at_sleeve)
        stuck[met] = _at_the_sleeve(chamber, rng, at, way, normal, in_water, met)
        fresh = np.zeros_like(fresh)
        for fate, rows in (("ends", out), ("lamp", hits_lamp | stuck), ("given up", tired)):
            tallies[fate].add(output[:, rows], through[rows], bounces[rows], zero[rows], 1.0)
        bounces = bounces + hits_wall
        on = ~(out | hits_lamp | stuck | tired)
        at, way, output = at[:, on], way[:, on], output[:, on]
        through, bounces, in_water, fresh, zero = through[on], bounces[on], in_water[on], fresh[on], zero[on]


def _count_stretches(
    tally: _Tally, rng: np.random.Generator, *, at: Floats, way: Floats, length: Floats, through: Floats,
    bounces: NDArray, output: Floats, bounds: tuple[float, float, float], cells: tuple[int, int],
) -> None:
    """Path-length estimate of the fluence rate: every stretch, at points along it, in the cell where each lies."""
    inner, outer, half = bounds
    rings, slices = cells
    parts = np.arange(POINTS_A_STRETCH)[:, None]
    along = (parts + rng.random((POINTS_A_STRETCH, len(length)))) / POINTS_A_STRETCH * length
    radius = np.hypot(at[0] + along * way[0], at[1] + along * way[1])
    ring = np.clip(((radius - inner) / (outer - inner) * rings).astype(np.int64), 0, rings - 1)
    height = at[2] + along * way[2]
    part = np.clip(((height + half) / (2 * half) * slices).astype(np.int64), 0, slices - 1)
    tally.add(
        np.tile(output, POINTS_A_STRETCH), (through + along).ravel(), np.tile(bounces, POINTS_A_STRETCH),
        (ring * slices + part).ravel(), np.tile(length / POINTS_A_STRETCH, POINTS_A_STRETCH),
    )


def _off_the_wall(
    chamber: Chamber, rng: np.random.Generator, at: Floats, way: Floats, normal: Floats, hit: NDArray
) -> None:
    """Back into the water, like a mirror or by Lambert's cosine, in place."""
    n = normal[:, hit]
    at[:2, hit] = n * chamber.wall_radius_cm
    if chamber.diffuse_wall:
        cosine = np.sqrt(rng.random(len(hit)))
        sine, turn = np.sqrt(1 - cosine**2), 2 * math.pi * rng.random(len(hit))
        tangent = np.stack([-n[1], n[0]])
        way[:2, hit] = -cosine * n + sine * np.cos(turn) * tangent
        way[2, hit] = sine * np.sin(turn)
    else:
        way[:2, hit] -= 2 * (way[:2, hit] * n).sum(axis=0) * n


def _at_the_sleeve(
    chamber: Chamber, rng: np.random.Generator, at: Floats, way: Floats, normal: Floats, in_water: NDArray,
    met: NDArray,
) -> NDArray:
    """Back, through, or held by the quartz, in place; which are held."""
    n = normal[:, met]
    at[:2, met] = n * chamber.sleeve_radius_cm
    from_water = in_water[met]
    facing = np.where(from_water, 1.0, -1.0) * n  # against the way it comes
    cosine = np.clip(-(way[:2, met] * facing).sum(axis=0), 0.0, 1.0)
    back, passes = np.empty(len(met)), np.empty(len(met))
    for wet, (index, onward) in ((True, (chamber.water_index, 1.0)), (False, (1.0, chamber.water_index))):
        rows = from_water == wet
        back[rows], passes[rows] = sleeve_chances(chamber, cosine[rows], index, onward)
    chance = rng.random(len(met))
    thrown, through = chance < back, (chance >= back) & (chance < back + passes)
    rows = met[thrown]
    way[:2, rows] += 2 * cosine[thrown] * facing[:, thrown]
    rows = met[through]
    bend = np.where(from_water, chamber.water_index, 1.0 / chamber.water_index)[through]
    here = cosine[through]
    onward = np.sqrt(np.maximum(0.0, 1.0 - bend**2 * (1.0 - here**2)))
    way[:, rows] *= bend
    way[:2, rows] += (bend * here - onward) * facing[:, through]
    way[:, rows] /= np.sqrt((way[:, rows] ** 2).sum(axis=0))
    in_water[rows] = ~in_water[rows]
    return ~thrown & ~through


def laminar_velocity(chamber: Chamber, radius_cm: ArrayLike) -> Floats:
    """Over the mean velocity: developed flow through an annulus (Bird, Stewart and Lightfoot, from memory)."""
    share = np.asarray(radius_cm, dtype=float) / chamber.wall_radius_cm
    kappa = chamber.sleeve_radius_cm / chamber.wall_radius_cm
    bend = (1 - kappa**2) / math.log(1 / kappa)
    mean = ((1 - kappa**4) / (1 - kappa**2) - bend) / 2
    return np.asarray((1 - share**2 - bend * np.log(1 / share)) / mean)


@dataclass(frozen=True, kw_only=True)
class Streamlines:
    """Laminar water: where each line runs, its share of the flow, its velocity over the mean."""

    radius_cm: Floats
    share: Floats
    velocity: Floats

    @classmethod
    def through(cls, chamber: Chamber, lines: int = 2000) -> Streamlines:
        """Evenly spaced, by the middle of each ring."""
        edges = np.linspace(chamber.sleeve_radius_cm, chamber.wall_radius_cm, lines + 1)
        radius = (edges[1:] + edges[:-1]) / 2
        velocity = laminar_velocity(chamber, radius)
        share = velocity * np.diff(edges**2)
        return cls(radius_cm=radius, share=share / share.sum(), velocity=velocity)

    def doses_mj_cm2(self, chamber: Chamber, field: Floats, flow_l_min: float) -> Floats:
        """Of a field (rings, slices): sum along the line over its velocity."""
        rings = field.shape[0]
        middle = chamber.sleeve_radius_cm + (np.arange(rings) + 0.5) * chamber.gap_cm / rings
        along = np.interp(self.radius_cm, middle, field.mean(axis=1) * middle) / self.radius_cm
        return along * residence_s(chamber, flow_l_min) / self.velocity


@dataclass(frozen=True, kw_only=True)
class RandomWalk:
    """Turbulent water: the rings that particles pass, (steps, particles). All take the mean residence time.

    Eddy diffusivity goes with velocity, so the tracks are those of every flow.
    """

    ring: NDArray[np.int32]
    share: Floats

    @classmethod
    def through(
        cls, chamber: Chamber, *, particles: int, seed: int, rings: int = 32, slices: int = 48,
        steps_a_slice: int = 4, eddy_over_velocity_cm: float | None = None,
    ) -> RandomWalk:
        """In evenly over the section; across by chance in the plane, thrown back at sleeve and wall."""
        inner, outer = chamber.sleeve_radius_cm, chamber.wall_radius_cm
        mixing = (
            EDDY_OVER_VELOCITY_HALF_GAP * chamber.gap_cm / 2 if eddy_over_velocity_cm is None
            else eddy_over_velocity_cm)
        rng = np.random.default_rng(seed)
        steps = slices * steps_a_slice
        step = math.sqrt(2 * mixing * chamber.length_cm / steps)
        x = np.sqrt(inner**2 + (outer**2 - inner**2) * (np.arange(particles) + 0.5) / particles)
        y = np.zeros(particles)
        ring = np.empty((steps, particles), dtype=np.int32)
        for number in range(steps):
            x, y = x + step * rng.standard_normal(particles), y + step * rng.standard_normal(particles)
            radius = np.hypot(x, y)
            # There and back between the walls as often as it takes.
            folded = np.abs((radius - inner + (outer - inner)) % (2 * (outer - inner)) - (outer - inner))
            x, y = x * (inner + folded) / radius, y * (inner + folded) / radius
            ring[number] = np.clip(folded / (outer - inner) * rings, 0, rings - 1)
        return cls(ring=ring, share=np.full(particles, 1.0 / particles))

    def doses_mj_cm2(self, chamber: Chamber, field: Floats, flow_l_min: float) -> Floats:
        """Of a field (rings, slices): the mean on each particle's way times the time it takes."""
        steps_a_slice = len(self.ring) // field.shape[1]
        total = np.zeros(self.ring.shape[1])
        for number, ring in enumerate(self.ring):
            total += field[:, number // steps_a_slice].take(ring)
        return total / len(self.ring) * residence_s(chamber, flow_l_min)


def residence_s(chamber: Chamber, flow_l_min: float) -> float:
    """Mean time in the chamber."""
    return chamber.volume_cm3 / (flow_l_min * 1000.0 / 60.0)


def red_mj_cm2(doses_mj_cm2: Floats, share: Floats, k_cm2_mj: float) -> float:
    """Reduction equivalent dose of first-order organisms: -ln(mean survival) / k."""
    least = doses_mj_cm2.min()  # taken out, so that no survival is too small for a double
    return float(least - math.log(share @ np.exp(-k_cm2_mj * (doses_mj_cm2 - least))) / k_cm2_mj)
