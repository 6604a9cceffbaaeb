"""A logger that reads the truth: at a cadence, some quantities, in steps of its own, alive or not.

Its rows are a table: `t`, the true second of the reading; `stamp`, what its clock said, in seconds since the
history began; `arrival`, when it was sent (infinite: never); `late`, sent after everything else; `what`, a reading,
an event or a boot; and one column for each quantity of the CSV log, empty as NaN.
"""

from __future__ import annotations

from dataclasses import dataclass, field

import numpy as np
import numpy.typing as npt
import pandas as pd

from .truth import HEAD_S, Flags, Floats, Truth, last_start, log_uniform, runs

QUANTITIES = (
    "lamp_on", "power_on", "intensity_w_m2", "flow_l_min", "total_l", "uvt_pct", "water_temp_c", "battery_v",
    "lamp_hours")


@dataclass(slots=True)
class Logger:
    """How one unit's logger is made; faults change it before it reads."""

    cadence_s: int
    phase_s: float
    has: set[str]
    events: set[str]  # of power_on, lamp_on: written at the moment of a change
    whole_events: bool  # an event's row holds everything, not only the flag
    total_step_l: float
    counter_step_s: float
    intensity_noise: float  # share
    intensity_step: float
    dies_with_power: bool = False
    boot_s: int = 20
    boot_events: bool = False
    sends_every_s: int | None = None  # None: each row at once
    pulse: bool = False  # it counts the meter's pulses itself
    contactor: bool = False  # its lamp status is a contactor's that stays closed
    counter_of_contactor: bool = False
    truthless: dict[str, Floats] = field(default_factory=dict)  # quantities that are read wrong all along

    def status(self, truth: Truth) -> Floats:
        """Its lamp status at each second."""
        if "lamp_on" in self.truthless:
            return self.truthless["lamp_on"]
        return np.ones(truth.seconds) if self.contactor else truth.burning.astype(float)

    @property
    def has_meter(self) -> bool:
        """Whether it logs a meter's own running total."""
        return "total_l" in self.has and not self.pulse


def some_logger(rng: np.random.Generator) -> Logger:
    """A logger without any fault."""
    has = {"lamp_on", "intensity_w_m2", "flow_l_min", "total_l", "power_on", "lamp_hours"}
    for name, often in (("lamp_on", 0.85), ("intensity_w_m2", 0.94), ("flow_l_min", 0.85), ("total_l", 0.8),
                        ("power_on", 0.6), ("lamp_hours", 0.6)):
        if rng.random() > often:
            has.discard(name)
    if not has & {"lamp_on", "intensity_w_m2"}:
        has.add(("lamp_on", "intensity_w_m2")[int(rng.random() < 0.5)])
    if not has & {"flow_l_min", "total_l"}:
        has.add("total_l")
    for name in ("uvt_pct", "water_temp_c", "battery_v"):
        if rng.random() < 0.15:
            has.add(name)
    cadence = int(rng.choice([10, 15, 30, 60, 120, 300], p=(0.05, 0.05, 0.2, 0.45, 0.15, 0.1)))
    return Logger(
        cadence_s=cadence, phase_s=float(np.round(rng.uniform(0, cadence), 1)), has=has,
        events={name for name in ("power_on", "lamp_on") if name in has and rng.random() < 0.5},
        whole_events=bool(rng.random() < 0.3),
        total_step_l=float(rng.choice([0.01, 0.1, 1.0, 10.0], p=(0.2, 0.4, 0.3, 0.1))),
        counter_step_s=float(rng.choice([1.0, 36.0, 360.0, 3600.0], p=(0.3, 0.3, 0.3, 0.1))),
        intensity_noise=float(rng.uniform(0.002, 0.02)), intensity_step=float(rng.choice([0.01, 0.1, 1.0])))


def alive(truth: Truth, logger: Logger) -> Flags:
    """Seconds in which the logger runs."""
    if not logger.dies_with_power:
        return np.ones(truth.seconds, bool)
    began = last_start(truth.power)
    booted = (np.arange(truth.seconds) - began >= logger.boot_s) | (began == 0)
    return truth.power & booted


def read(truth: Truth, logger: Logger, rng: np.random.Generator) -> pd.DataFrame:
    """Everything that the logger writes down, in the order of true time."""
    up = alive(truth, logger)
    t = np.arange(logger.phase_s, truth.seconds - 1, logger.cadence_s)
    everything = sorted(logger.has)
    written = [(t[up[t.astype(int)]], "reading", everything)]
    for name in sorted(logger.events):
        state = truth.power.astype(float) if name == "power_on" else logger.status(truth)
        changed = np.flatnonzero(np.diff(state) != 0) + 1
        at = changed[up[changed]] + np.round(rng.uniform(0.05, 0.9, int(up[changed].sum())), 2)
        written.append((at[at < truth.seconds - 1], "event", everything if logger.whole_events else [name]))
    if logger.boot_events:
        boots = np.flatnonzero(np.diff(up.astype(np.int8)) > 0) + 1
        written.append((boots + 0.3, "boot", sorted(logger.has & {"lamp_on", "power_on"})))
    at = np.concatenate([part[0] for part in written])
    what = np.repeat([part[1] for part in written], [len(part[0]) for part in written])
    rows = pd.DataFrame({"t": at, "what": what})
    second = at.astype(int)
    measured = _quantities(truth, logger, up, second, rng)
    for name in QUANTITIES:
        holds = np.repeat([name in part[2] for part in written], [len(part[0]) for part in written])
        rows[name] = np.where(holds, measured[name], np.nan)
    rows = rows.sort_values("t", kind="stable").drop_duplicates("t").reset_index(drop=True)
    every = logger.sends_every_s
    arrival = rows["t"] if every is None else np.ceil(rows["t"] / every) * every
    return rows.assign(stamp=rows["t"], late=False, arrival=arrival)


def _quantities(
    truth: Truth, logger: Logger, up: Flags, second: npt.NDArray[np.int64], rng: np.random.Generator
) -> dict[str, Floats]:
    """What each quantity reads at these seconds, before any fault of rows."""
    noisy = truth.intensity_w_m2[second] * (1 + rng.normal(0, logger.intensity_noise, len(second)))
    drawn = truth.total_start_l + np.cumsum(truth.litres * up) if logger.pulse else truth.total_l
    burnt_s = np.cumsum(truth.ballast.astype(float)) if logger.counter_of_contactor else truth.lit_s
    step_h = logger.counter_step_s / 3600
    hours = truth.counter_start_h + burnt_s[second] / 3600
    measured = {
        "lamp_on": logger.status(truth)[second], "power_on": truth.power[second].astype(float),
        "intensity_w_m2": np.round(np.maximum(noisy, 0) / logger.intensity_step) * logger.intensity_step,
        "flow_l_min": np.round(truth.flow_l_min[second], 2),
        "total_l": np.floor(drawn[second] / logger.total_step_l + 1e-9) * logger.total_step_l,
        "uvt_pct": np.round(truth.uvt_pct[second] + rng.normal(0, 0.4), 1),
        "water_temp_c": np.round(8 + 3 * np.sin(second / 9000), 1),
        "battery_v": np.round(12.9 + 0.4 * np.sin(second / 20000), 2),
        "lamp_hours": np.floor(hours / step_h + 1e-9) * step_h,
    }
    return measured | {name: values[second] for name, values in logger.truthless.items()}


def some_span(
    rng: np.random.Generator, truth: Truth, low_s: float, high_s: float, *, near_cut: float = 0.6
) -> tuple[float, float]:
    """Begin and end of a fault; with probability `near_cut` it overlaps time in which the lamp was not settled."""
    length = min(log_uniform(rng, low_s, high_s), truth.seconds - HEAD_S - 120)
    cuts = [cut for cut in runs(truth.unsettled) if cut[0] > HEAD_S]
    if cuts and rng.random() < near_cut:
        first, last = cuts[int(rng.integers(len(cuts)))]
        start = rng.uniform(first - length, last)
    else:
        start = rng.uniform(HEAD_S, truth.seconds - length)
    start = float(np.clip(start, HEAD_S, truth.seconds - 60))
    return start, start + length
