"""What truly happened at one unit, second by second: supply, lamp, light, water, and the dose of every litre.

The dose is the geometric model's (design, "What the models compute"), written down here once more on purpose:
D = S x ratio(UVT) x V / Q, RED = C (n / k) ln(1 + k D / n). The course of a lamp's warm-up, of a pressure tank that
empties and of people who draw water is common practice, no source.
"""

from __future__ import annotations

from dataclasses import dataclass, field
from itertools import pairwise
from typing import Any

import numpy as np
import numpy.typing as npt

Floats = npt.NDArray[np.float64]
Flags = npt.NDArray[np.bool_]

HEAD_S = 600  # every history begins with ten minutes in which nothing is wrong
# 40 CFR 141.720(d)(1), mJ/cm2 for 0 to 4 log in steps of a half; seen in a secondary copy, heads from memory.
LOG_STEPS = np.arange(0.0, 4.5, 0.5)
CRYPTOSPORIDIUM = np.array([0.0, 1.6, 2.5, 3.9, 5.8, 8.5, 12.0, 15.0, 22.0])
GIARDIA = np.array([0.0, 1.5, 2.1, 3.0, 5.2, 7.7, 11.0, 15.0, 22.0])
SHORT_LOG = 0.5  # more than this short of the target's own reduction


@dataclass(frozen=True, slots=True, kw_only=True)
class Kind:
    """A kind of reactor: what `fleet.toml` says of it."""

    name: str
    chamber_inner_radius_cm: float
    sleeve_outer_radius_cm: float
    arc_length_cm: float
    mixing_tanks: int
    test_flow_l_min: float
    test_uvt_pct: float
    test_intensity_w_m2: float
    test_red_mj_cm2: float
    challenge_k_cm2_mj: float
    alarm_intensity_w_m2: float
    warm_up_s: float

    def red_mj_cm2(self, intensity_w_m2: Any, uvt_pct: Any, flow_l_min: Any) -> Floats:
        """Reduction equivalent dose; infinite where lit water stands, 0 where there is no light. [mJ/cm2]"""
        raw = self._raw(intensity_w_m2, uvt_pct, flow_l_min)
        at_test = self._raw(self.test_intensity_w_m2, self.test_uvt_pct, self.test_flow_l_min)
        return raw * (self.test_red_mj_cm2 / at_test)

    def _raw(self, intensity_w_m2: Any, uvt_pct: Any, flow_l_min: Any) -> Floats:
        wall, sleeve = self.chamber_inner_radius_cm, self.sleeve_outer_radius_cm
        a = -np.log(np.minimum(np.asarray(uvt_pct, float), 99.9) / 100.0)  # per cm, base e
        ratio = 2 * wall * np.expm1(a * (wall - sleeve)) / (a * (wall**2 - sleeve**2))
        volume_cm3 = np.pi * (wall**2 - sleeve**2) * self.arc_length_cm
        flow_cm3_s = np.asarray(flow_l_min, float) * 1000.0 / 60.0
        intensity = np.asarray(intensity_w_m2, float)
        with np.errstate(divide="ignore", invalid="ignore"):
            dose = 0.1 * intensity * ratio * volume_cm3 / flow_cm3_s  # 1 W/m2 = 0.1 mW/cm2
        dose = np.where(intensity <= 0, 0.0, dose)
        n, k = self.mixing_tanks, self.challenge_k_cm2_mj
        return np.asarray(n / k * np.log1p(k * dose / n))


KINDS = (
    Kind(name="annular-40", chamber_inner_radius_cm=4.4, sleeve_outer_radius_cm=1.2, arc_length_cm=42.0,
         mixing_tanks=4, test_flow_l_min=30.0, test_uvt_pct=75.0, test_intensity_w_m2=41.0, test_red_mj_cm2=40.0,
         challenge_k_cm2_mj=0.115, alarm_intensity_w_m2=29.0, warm_up_s=120.0),
    Kind(name="annular-30", chamber_inner_radius_cm=3.6, sleeve_outer_radius_cm=1.15, arc_length_cm=30.0,
         mixing_tanks=3, test_flow_l_min=19.0, test_uvt_pct=75.0, test_intensity_w_m2=38.0, test_red_mj_cm2=40.0,
         challenge_k_cm2_mj=0.13, alarm_intensity_w_m2=26.0, warm_up_s=60.0),
    Kind(name="annular-70", chamber_inner_radius_cm=5.0, sleeve_outer_radius_cm=1.3, arc_length_cm=70.0,
         mixing_tanks=6, test_flow_l_min=45.0, test_uvt_pct=70.0, test_intensity_w_m2=47.0, test_red_mj_cm2=40.0,
         challenge_k_cm2_mj=0.115, alarm_intensity_w_m2=33.0, warm_up_s=180.0),
)


def short_log(red_mj_cm2: Floats, target_mj_cm2: float) -> Floats:
    """How many logs of Cryptosporidium or Giardia, whichever is more, a dose falls short of the target's."""
    worst = np.zeros_like(red_mj_cm2)
    for table in (CRYPTOSPORIDIUM, GIARDIA):
        lost = np.interp(target_mj_cm2, table, LOG_STEPS) - np.interp(red_mj_cm2, table, LOG_STEPS)
        worst = np.maximum(worst, lost)
    return worst


@dataclass(slots=True)
class Truth:
    """One unit's truth; every array has one value a second, from the history's first second on."""

    kind: Kind
    target_mj_cm2: float
    enrolled_uvt_pct: float
    peak_flow_l_min: float
    drawdown_l: float | None  # None: gravity, supply never stops
    settled_w_m2: float  # of the strong lamp in the water of the registry
    power: Flags  # supply present, if only sagging
    ballast: Flags  # the ballast is powered, so a contactor is closed
    burning: Flags
    light: Floats  # 0..1 of the settled lamp
    intensity_w_m2: Floats
    uvt_pct: Floats
    flow_l_min: Floats
    counter_start_h: float
    total_start_l: float
    red_mj_cm2: Floats = field(init=False)
    unsettled: Flags = field(init=False)
    short: Flags = field(init=False)  # water of this second misses its target
    far_short: Flags = field(init=False)  # and by more than half a log, or half of it
    cold: Flags = field(init=False)  # dark, dim, or lit for less than the enrolled warm-up time
    litres: Floats = field(init=False)
    total_l: Floats = field(init=False)
    lit_s: Floats = field(init=False)

    def __post_init__(self) -> None:
        flows = self.flow_l_min > 0
        self.red_mj_cm2 = np.where(self.intensity_w_m2 > 0, np.inf, 0.0)
        self.red_mj_cm2[flows] = self.kind.red_mj_cm2(
            self.intensity_w_m2[flows], self.uvt_pct[flows], self.flow_l_min[flows])
        self.litres = self.flow_l_min / 60.0
        self.total_l = self.total_start_l + np.cumsum(self.litres)
        self.lit_s = np.cumsum(self.burning.astype(float))
        self.unsettled = self.light < 0.9  # dark, or still warming up
        self.short = flows & (self.red_mj_cm2 < self.target_mj_cm2)
        lost = short_log(np.minimum(self.red_mj_cm2, 1e6), self.target_mj_cm2) > SHORT_LOG
        self.far_short = flows & (lost | (self.red_mj_cm2 < 0.5 * self.target_mj_cm2))
        began = last_start(self.burning)
        on_s = np.arange(self.seconds) - began
        self.cold = self.unsettled | ~self.burning | ((on_s < self.kind.warm_up_s) & (began > 0))

    @property
    def seconds(self) -> int:
        """How long the history is."""
        return len(self.power)

    @property
    def may_be_short(self) -> Flags:
        """Water that honest sensors with their stated uncertainties (10 %, 5 %, 4 points) can't clear.

        Some allowance for their noise is in it. Dark and cold water count, whatever light there was.
        """
        flows = self.flow_l_min > 0
        intensity, flow = 0.8 * self.intensity_w_m2[flows], 1.08 * self.flow_l_min[flows]
        low = np.full(len(flow), np.inf)
        for points in (-4.0, 4.0):
            for at in (self.enrolled_uvt_pct + points, np.clip(self.uvt_pct[flows] + points, 1.0, 99.0)):
                low = np.minimum(low, self.kind.red_mj_cm2(intensity, at, flow))
        out = flows.copy()
        out[flows] = (low < self.target_mj_cm2) | self.cold[flows]
        return out

    @property
    def ends_well(self) -> bool:
        """The last twenty minutes are lit, warm and strong enough for peak flow."""
        last = slice(self.seconds - 1200, None)
        dose = self.kind.red_mj_cm2(self.intensity_w_m2[last], self.uvt_pct[last], self.peak_flow_l_min)
        lit = self.power[last].all() and not self.unsettled[last].any()
        return bool(lit and (dose >= self.target_mj_cm2).all())


def runs(flags: Flags) -> list[tuple[int, int]]:
    """First and one past the last index of each run of true values."""
    edges = np.flatnonzero(np.diff(np.concatenate([[0], flags.astype(np.int8), [0]])))
    return list(zip(edges[::2].tolist(), edges[1::2].tolist(), strict=True))


def last_start(flags: Flags) -> npt.NDArray[np.int64]:
    """Index at which the present run of true values began; 0 before any."""
    index = np.arange(len(flags))
    starts = flags & ~np.concatenate([[False], flags[:-1]])
    return np.maximum.accumulate(np.where(starts, index, 0))


def log_uniform(rng: np.random.Generator, low: float, high: float) -> float:
    """A number whose logarithm is uniform."""
    return float(np.exp(rng.uniform(np.log(low), np.log(high))))


def live(rng: np.random.Generator, wishes: set[str]) -> Truth:
    """Let one unit live for some hours.

    Parameters
    ----------
    wishes : set of str
        Names of faults that happen at the unit itself (`faults.FAULTS`, those of the unit), and `nobody_draws`:
        no water is drawn while its dose would be short.
    """
    kind = KINDS[rng.choice(3, p=(0.6, 0.25, 0.15))]
    hours = float(rng.choice([6.0, 12.0, 36.0], p=(0.9, 0.07, 0.03)))
    seconds = int(hours * 3600 + rng.integers(-900, 900))
    ends_calm = bool(rng.random() < 0.85) and "lamp_dies" not in wishes
    tail_s = int(rng.integers(1500, 2700)) if ends_calm else 0
    peak = float(np.round(kind.test_flow_l_min * rng.uniform(0.3, 0.6), 1))
    uvt = float(np.round(kind.test_uvt_pct + rng.uniform(2, 14), 1))
    target = float(rng.choice([40.0, 30.0], p=(0.85, 0.15)))
    drawdown = None if rng.random() < 0.3 else float(np.round(rng.uniform(0, 45), 0))

    power, ballast, burning = _supply(rng, wishes, seconds, seconds - tail_s)
    light = _light(burning, tau_s=kind.warm_up_s * rng.uniform(0.2, 0.4), cools_s=rng.uniform(60, 300))
    actual_uvt = np.full(seconds, uvt + rng.uniform(-1.5, 1.5))
    if "cloudy_water" in wishes:
        start = int(rng.integers(HEAD_S, seconds - 600))
        actual_uvt[start:] -= np.minimum(rng.uniform(3, 20), np.arange(seconds - start) / 300.0)
    settled = _settled(rng, kind, uvt, peak, target)
    strength = np.ones(seconds)
    if "lamp_weak" in wishes:
        strength *= rng.uniform(0.12, 0.8)
    if "sleeve_fouled" in wishes:
        start = int(rng.integers(HEAD_S, seconds - 1200))
        over_s = log_uniform(rng, 60, 7200)
        lost = rng.uniform(0.2, 0.85) * np.minimum(1.0, np.arange(seconds - start) / over_s)
        strength[start:] *= 1 - lost
        if ends_calm:
            strength[seconds - tail_s:] = 1.0  # somebody wiped it
    path_cm = kind.chamber_inner_radius_cm - kind.sleeve_outer_radius_cm
    clear_to = np.exp(-(np.log(uvt / 100) - np.log(actual_uvt / 100)) * path_cm)
    intensity = settled * light * strength * clear_to
    flow = _water(rng, wishes, kind=kind, intensity=intensity, uvt=actual_uvt, power=power, light=light,
                  peak=peak, target=target, drawdown=drawdown)
    return Truth(
        kind=kind, target_mj_cm2=target, enrolled_uvt_pct=uvt, peak_flow_l_min=peak, drawdown_l=drawdown,
        settled_w_m2=settled, power=power, ballast=ballast, burning=burning, light=light,
        intensity_w_m2=intensity, uvt_pct=actual_uvt, flow_l_min=flow,
        counter_start_h=float(np.round(rng.uniform(0, 8000), 3)),
        total_start_l=float(np.round(rng.uniform(0, 1e5), 1)))


def _supply(rng: np.random.Generator, wishes: set[str], seconds: int, until: int) -> tuple[Flags, Flags, Flags]:
    """Supply, powered ballast and burning lamp; nothing goes wrong in the head nor after `until`."""
    power, out = np.ones(seconds, bool), np.zeros(seconds, bool)

    def span(low_s: float, high_s: float) -> slice:
        length = int(min(log_uniform(rng, low_s, high_s), until - HEAD_S - 60))
        start = int(rng.integers(HEAD_S, until - length))
        return slice(start, start + length)

    for _ in range(int(rng.choice([0, 1, 2, 3, 4], p=(0.15, 0.35, 0.25, 0.15, 0.1)))):
        power[span(5, 9000)] = False
    sag = np.zeros(seconds, bool)
    if "brown_out" in wishes:
        for _ in range(int(rng.integers(1, 4))):
            sag[span(20, 3600)] = True
    if "flicker" in wishes:
        for _ in range(int(rng.integers(1, 8))):
            out[span(3, 120)] = True
    if "lamp_changed" in wishes:
        out[span(240, 1500)] = True
    if "lamp_dies" in wishes:
        out[int(rng.integers(HEAD_S, until)):] = True
    ballast = power.copy()
    strike_s = int(rng.integers(0, 5))  # the ballast heats electrodes before it strikes
    powered = power & ~sag & ~out
    began = last_start(powered)
    burning = powered & ((np.arange(seconds) - began >= strike_s) | (began == 0))
    return power, ballast, burning


def _light(burning: Flags, *, tau_s: float, cools_s: float) -> Floats:
    """Light as a share of the settled lamp's: a cold lamp takes minutes, a hot one comes back at once."""
    light = np.zeros(len(burning))
    warmth = 1.0
    edges = np.concatenate([[0], np.flatnonzero(np.diff(burning.astype(np.int8))) + 1, [len(burning)]])
    for first, last in pairwise(edges.tolist()):
        passed = np.arange(1, last - first + 1)
        if burning[first]:
            course = 1 - (1 - warmth) * np.exp(-passed / tau_s)
            light[first:last] = np.minimum(course / 0.9, 1.0)
        else:
            course = warmth * np.exp(-passed / cools_s)
        warmth = float(course[-1])
    return light


def _settled(rng: np.random.Generator, kind: Kind, uvt: float, peak: float, target: float) -> float:
    """Intensity of the strong lamp: mostly well above what the target asks for at peak flow, at times just so.

    Never much above what the lamp of the test gives in that water.
    """
    levels = np.linspace(1, 400, 4000)
    worst = np.minimum(
        kind.red_mj_cm2(0.85 * levels, min(uvt + 4, 99), 1.08 * peak),
        kind.red_mj_cm2(0.85 * levels, uvt - 4, 1.08 * peak))
    needed = max(float(levels[np.searchsorted(worst, target)]), kind.alarm_intensity_w_m2)
    path_cm = kind.chamber_inner_radius_cm - kind.sleeve_outer_radius_cm
    new_lamp = kind.test_intensity_w_m2 * (uvt / kind.test_uvt_pct) ** path_cm  # exp(-a path), a = -ln(UVT)
    wanted = needed * float(rng.uniform(1.1, 1.9) if rng.random() < 0.9 else rng.uniform(0.95, 1.1))
    return min(wanted, new_lamp * float(rng.uniform(0.9, 1.05)))


def _water(
    rng: np.random.Generator, wishes: set[str], *, kind: Kind, intensity: Floats, uvt: Floats, power: Flags,
    light: Floats, peak: float, target: float, drawdown: float | None,
) -> Floats:
    """Flow that people, leaks and the supply make of a few hours. [L/min]"""
    draws = _draws(rng, wishes, light=light, peak=peak)
    leak = float(rng.uniform(0.03, 0.5)) if rng.random() < 0.12 else 0.0
    if "nobody_draws" in wishes:
        demand = _harmless(draws, kind=kind, intensity=intensity, uvt=uvt, peak=peak, target=target)
    else:
        demand = np.full(len(power), leak)
        for draw in draws:
            demand[draw.during] += draw.flow_l_min
        demand = np.minimum(demand, peak)
    return demand if drawdown is None else _from_the_tank(rng, demand, power=power, drawdown=drawdown)


@dataclass(frozen=True, slots=True)
class _Draw:
    """Water that somebody takes."""

    during: slice  # seconds
    flow_l_min: float


def _draws(rng: np.random.Generator, wishes: set[str], *, light: Floats, peak: float) -> list[_Draw]:
    """What people ask for: at any time, and more often where the lamp is not at its best."""
    seconds = len(light)
    draws: list[_Draw] = []

    def draw(start: int) -> None:
        what = rng.random()
        if what < 0.45:  # a tap
            length, flow = log_uniform(rng, 4, 90), rng.uniform(2, 9)
        elif what < 0.85:  # a shower
            length, flow = rng.uniform(120, 600), rng.uniform(5, 12)
        else:  # a bath, a washing machine, a garden hose
            length, flow = rng.uniform(300, 1500), rng.uniform(8, 30)
        start = max(start, 30)
        draws.append(_Draw(slice(start, min(start + int(length) + 1, seconds)), min(float(flow), peak)))

    for start in rng.integers(0, seconds, rng.poisson(seconds / 3600 * rng.uniform(0.3, 4))):
        draw(int(start))
    for first, last in runs(light < 0.9):
        if rng.random() < 0.5:
            draw(int(rng.integers(first - min(60, first), last)))
        if "warm_up_draws" in wishes:
            draw(last - int(rng.integers(1, min(last - first, 90) + 1)))
    return draws


def _harmless(
    draws: list[_Draw], *, kind: Kind, intensity: Floats, uvt: Floats, peak: float, target: float
) -> Floats:
    """Demand of those draws alone that get their dose throughout, and of no leak. [L/min]"""
    demand = np.zeros(len(intensity))
    for draw in draws:
        during = draw.during
        # with a pump that stops and a pipe that empties a draw ends early; whoever is not at home draws nothing
        red_mj_cm2 = kind.red_mj_cm2(intensity[during], uvt[during], min(draw.flow_l_min * 2, peak))
        if not (red_mj_cm2 < target).any():
            demand[during] += draw.flow_l_min
    demand = np.minimum(demand, peak)
    demand[kind.red_mj_cm2(intensity, uvt, demand) < target] = 0.0
    return demand


def _from_the_tank(rng: np.random.Generator, demand: Floats, *, power: Flags, drawdown: float) -> Floats:
    """The demand as far as the pressure tank serves it while the pump has no power. [L/min]"""
    for first, last in runs(~power):
        stands_l = drawdown * rng.uniform(0.2, 1.0)
        drawn_l = np.cumsum(demand[first:last] / 60.0)
        demand[first:last][drawn_l > stands_l] = 0.0
    return demand
