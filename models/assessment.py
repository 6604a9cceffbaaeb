"""The dose of whole columns of readings, with a reason for every row where it can't be taken at face value."""

from __future__ import annotations

from dataclasses import dataclass
from enum import StrEnum

import numpy as np
import pandas as pd
from numpy.typing import ArrayLike, NDArray

from models.dose_model import Sensor, explained, flow_max_l_min, uvt_min_pct, uvt_points
from models.dose_table import (
    CLEAR_WATER,
    CLOUDY_WATER,
    EXPLANATIONS,
    MEASURED,
    WEAK_LAMP,
    DoseTable,
    dose_table,
    place,
    read,
)
from models.fleet import Reactor
from models.optics import Floats

BLOCK_ROWS = 8192  # a block's dozen temporary columns stay in the processor's cache


class Reason(StrEnum):
    """Why a row's dose is what it is; the first that holds, in reverse order of this list."""

    OK = "ok"
    BELOW_ALARM = "below-alarm"  # intensity below the unit's own alarm; the dose is computed all the same
    ABOVE_NEW_LAMP = "above-new-lamp"  # brighter than any new lamp can be: counted as a new lamp in clear water
    BELOW_TESTED_UVT = "below-tested-uvt"  # nothing is validated there: lower bound 0
    ABOVE_TESTED_FLOW = "above-tested-flow"  # likewise
    NO_FLOW = "no-flow"  # water stands: dose without limit, bound that of the next draw
    NO_FLOW_READING = "no-flow-reading"  # dose unknown, bound at the most that the supply can deliver
    NO_UVT = "no-uvt"  # unknown
    NO_INTENSITY = "no-intensity"  # unknown
    NO_LIGHT = "no-light"  # intensity 0: dose 0
    WARMING = "warming"  # bound 0 until the lamp is warm
    LAMP_OFF = "lamp-off"  # dose 0, whatever the sensor says


REASONS: tuple[Reason, ...] = tuple(Reason)
_CODE = {reason: code for code, reason in enumerate(REASONS)}


@dataclass(frozen=True, eq=False, kw_only=True)
class Assessment:
    """Dose of every row; all arrays have the shape that the inputs broadcast to.

    Attributes
    ----------
    red_mj_cm2 : ndarray of float
        Validated dose: reduction equivalent dose of the challenge organism over the validation factor, central
        value. NaN unknown, inf where lit water stands. [mJ/cm2]
    red_low_mj_cm2 : ndarray of float
        Its 95 % lower bound; what decisions rest on. NaN unknown, never inf. [mJ/cm2]
    reason_code, explanation_code : ndarray of int8
        Positions in `REASONS` and `EXPLANATIONS`.
    """

    red_mj_cm2: Floats
    red_low_mj_cm2: Floats
    reason_code: NDArray[np.int8]
    explanation_code: NDArray[np.int8]

    @property
    def reason(self) -> NDArray[np.object_]:
        """The reason of every row, as words."""
        return np.array(REASONS, dtype=object)[self.reason_code]

    @property
    def explanation(self) -> NDArray[np.object_]:
        """Which explanation of the reading counted, as words."""
        return np.array(EXPLANATIONS, dtype=object)[self.explanation_code]


def assess(
    reactor: Reactor, *, intensity_w_m2: ArrayLike, flow_l_min: ArrayLike, uvt_pct: ArrayLike,
    uvt_live: ArrayLike, lamp_on: ArrayLike | None = None, warm: ArrayLike | None = None,
    peak_flow_l_min: float | None = None,
) -> Assessment:
    """Validated dose of each reading, its 95 % lower bound, and why.

    Parameters
    ----------
    reactor : Reactor
        Kind of the unit.
    intensity_w_m2 : array_like
        Sensor reading, at least 0; NaN unknown. [W/m2]
    flow_l_min : array_like
        Flow, at least 0; NaN unknown. [L/min]
    uvt_pct : array_like
        Transmittance over 1 cm, above 0 and at most 100; NaN unknown. [%]
    uvt_live : array_like of bool
        Whether it was measured with the reading. If not, it is the latest water test, and the reading may also
        mean other water: the worst explanation counts. Unknown counts as not.
    lamp_on, warm : array_like of bool, optional
        Lamp status, and whether the warm-up time has passed. Where they are unknown (None, NaN) the sensor
        alone decides; who must know asks the timeline of the outages.
    peak_flow_l_min : float, optional
        The most that this supply can deliver: the flow of the bound where water stands or flow is unknown. [L/min]

    Returns
    -------
    Assessment

    Raises
    ------
    ValueError
        If a reading can't be; the message names it, its first index and its value. If shapes don't broadcast.

    Notes
    -----
    The results that are not plain:

    - lamp off, or no light: 0 and 0.
    - warming: the value by the sensor, bound 0.
    - intensity or transmittance unknown: NaN and NaN.
    - flow unknown: NaN; the bound is that at `peak_flow_l_min`, NaN without it.
    - no flow: inf (lit water stands; 0 in the dark). A bound can't be inf, since what a decision needs is what
      the next draw would get: it is that at `peak_flow_l_min`, or at the most tested flow without it.
    - above the tested flow, below the tested transmittance: the model's value; bound 0, since nothing is
      validated there.
    - brighter than a new lamp could be in water that absorbs nothing: counted as just that.

    For any row the bound is at most the value. Both never rise when flow rises or intensity falls (the bound
    but for the step at no flow), nor, at fixed output of the lamp, when transmittance falls. At the test
    point, with transmittance measured, the value is the test's RED over the validation factor; without, too,
    unless the test ran below the new lamp's output and the sensor sits nearer to sleeve than to wall (then a
    cloudier water explains the reading as well, and counts).

    A table of the reactor kind serves the geometric model: within 1e-6 of the exact model for 40 to 100 %.
    """
    columns = [_numbers(name, x) for name, x in (
        ("intensity_w_m2", intensity_w_m2), ("flow_l_min", flow_l_min), ("uvt_pct", uvt_pct),
    )]
    live = _flags("uvt_live", uvt_live)
    lamp, is_warm = _flags("lamp_on", lamp_on), _flags("warm", warm)
    shape = np.broadcast_shapes(*(column.shape for column in (*columns, live, lamp, is_warm)))
    flat = [np.broadcast_to(column, shape).reshape(-1) for column in (*columns, live, lamp, is_warm)]
    size = flat[0].size
    red, low = np.empty(size), np.empty(size)
    reason, explanation = np.empty(size, dtype=np.int8), np.empty(size, dtype=np.int8)
    kernel = _Kernel(reactor, peak_flow_l_min)
    with np.errstate(invalid="ignore"):  # an unknown has no place in a table; it stays NaN
        for start in range(0, size, BLOCK_ROWS):
            rows = slice(start, start + BLOCK_ROWS)
            kernel.run(_Block(
                readings=[column[rows] for column in flat[:3]], live=flat[3][rows], lamp=flat[4][rows],
                warm=flat[5][rows], red=red[rows], low=low[rows], reason=reason[rows],
                explanation=explanation[rows],
            ), first_row=start)
    return Assessment(
        red_mj_cm2=red.reshape(shape), red_low_mj_cm2=low.reshape(shape),
        reason_code=reason.reshape(shape), explanation_code=explanation.reshape(shape),
    )


def _numbers(name: str, x: ArrayLike) -> NDArray[np.number]:
    """A column as numbers, unknown as NaN, without copying one that already is."""
    if pd.api.types.is_extension_array_dtype(x):
        x = pd.Series(x).to_numpy(dtype=float, na_value=np.nan)  # type: ignore[call-overload]
    column = np.asarray(x)
    if column.dtype.kind not in "iuf":
        try:
            column = column.astype(float)
        except (TypeError, ValueError) as error:
            raise ValueError(f"{name} must hold numbers; got {column.dtype} ({error})") from error
    return column


def _flags(name: str, x: ArrayLike | None) -> NDArray[np.int8]:
    """1 true, 0 false, -1 unknown."""
    if x is None:
        return np.array(-1, dtype=np.int8)
    column = np.asarray(x)
    if column.dtype == bool:
        return column.view(np.int8)
    try:
        known = pd.array(column.reshape(-1), dtype="boolean")
    except (TypeError, ValueError) as error:
        raise ValueError(f"{name} must hold true, false or unknown ({error})") from error
    return known.to_numpy(dtype=np.int8, na_value=-1).reshape(column.shape)


@dataclass(frozen=True, eq=False, kw_only=True, slots=True)
class _Block:
    """Some rows: readings and flags as given, results to fill."""

    readings: list[NDArray[np.number]]
    live: NDArray[np.int8]
    lamp: NDArray[np.int8]
    warm: NDArray[np.int8]
    red: Floats
    low: Floats
    reason: NDArray[np.int8]
    explanation: NDArray[np.int8]


class _Kernel:
    """One reactor's rules for a block of rows."""

    def __init__(self, reactor: Reactor, peak_flow_l_min: float | None) -> None:
        if peak_flow_l_min is not None and not 0 < peak_flow_l_min < np.inf:
            raise ValueError(f"peak_flow_l_min must be above 0 and finite; got {peak_flow_l_min!r}")
        self.reactor = reactor
        self.table: DoseTable | None = dose_table(reactor) if reactor.equation is None else None
        self.flow_max = flow_max_l_min(reactor)
        self.uvt_min = uvt_min_pct(reactor)
        self.beyond_new_w_m2 = Sensor(reactor).brightest_w_m2 * (1 + reactor.sensor_uncertainty_pct / 100)
        self.unmetered = np.nan if peak_flow_l_min is None else peak_flow_l_min
        self.standing = self.flow_max if peak_flow_l_min is None else peak_flow_l_min

    def run(self, block: _Block, first_row: int) -> None:
        """Fill the results of one block."""
        intensity, flow, uvt = (np.array(column, dtype=float) for column in block.readings)
        ranges = [_range(column) for column in (intensity, flow, uvt)]
        _refuse("intensity_w_m2", intensity, ranges[0], first_row, at_most=np.inf)
        _refuse("flow_l_min", flow, ranges[1], first_row, at_most=np.inf)
        _refuse("uvt_pct", uvt, ranges[2], first_row, at_most=100.0)
        moving = flow > 0
        all_move = bool(moving.all())
        # Where no flow is known to pass, the bound is that of the flow that could come next.
        bound_flow = flow if all_move else np.where(
            moving, flow, np.where(flow == 0, self.standing, self.unmetered)
        )
        if self.table is not None:
            self._by_table(self.table, block, intensity, bound_flow, uvt)
        else:
            self._by_equation(block, intensity, bound_flow, uvt)
        if not all_move:
            block.red[~moving] = np.nan
            block.red[(flow == 0) & (intensity > 0) & ~np.isnan(uvt)] = np.inf
        self._rule(block, intensity, flow, uvt, ranges, bound_flow)

    def _by_table(
        self, table: DoseTable, block: _Block, intensity: Floats, flow: Floats, uvt: Floats
    ) -> None:
        """Value, bound and explanation by the geometric model, as if all were plain."""
        intensity = np.minimum(intensity, table.brightest_w_m2)
        steady = uvt if len(uvt) and (uvt[0] != uvt).any() else uvt[:1]  # a water test: one look-up for all
        per_intensity, low_live, low_tested = table.at_water(steady)
        live = block.live == 1
        some_live, all_live = bool(live.any()), bool(live.all())
        value = intensity * per_intensity
        bound = intensity * (low_live if all_live else low_tested)
        block.explanation[:] = MEASURED if all_live else WEAK_LAMP
        if not all_live:
            self._worst(table, block, intensity, uvt, value, bound)
        if some_live and not all_live:
            np.copyto(value, intensity * per_intensity, where=live)
            np.copyto(bound, intensity * low_live, where=live)
            block.explanation[live] = MEASURED
        for found, result in ((value, block.red), (bound, block.low)):
            found /= flow
            np.log1p(found, out=result)
            result *= table.scale

    def _worst(
        self, table: DoseTable, block: _Block, intensity: Floats, uvt: Floats, value: Floats, bound: Floats
    ) -> None:
        """Let other water explain the reading where that means less dose."""
        node, beyond = place(table.if_new, intensity)
        as_new = read(table.if_new, node, beyond)
        if table.mixture < np.inf:
            between = (uvt < table.mixture_uvt_pct) != (intensity < table.mixture_intensity_w_m2)
            np.copyto(as_new, intensity * table.mixture, where=between)
            np.minimum(bound, np.where(between, intensity * table.mixture_low, np.inf), out=bound)
        np.minimum(bound, read(table.if_new_low, node, beyond), out=bound)
        counts = as_new < value
        if counts.any():
            np.copyto(value, as_new, where=counts)
            rows = np.flatnonzero(counts)
            brighter = intensity[rows] > table.new_lamp_w_m2(uvt[rows])
            block.explanation[rows] = np.where(brighter, CLEAR_WATER, CLOUDY_WATER)

    def _by_equation(self, block: _Block, intensity: Floats, flow: Floats, uvt: Floats) -> None:
        """Value, bound and explanation by the test report's equation, as if all were plain."""
        block.red[:], block.low[:], block.explanation[:] = np.nan, np.nan, 0
        for live in (True, False):
            rows = np.flatnonzero((block.live == 1) == live)
            if not len(rows):
                continue
            found = explained(
                self.reactor, intensity[rows], flow[rows], uvt[rows], water_may_differ=not live,
                uvt_points=uvt_points(self.reactor, live=live),
            )
            doses = np.array([one.dose_mj_cm2 for one in found])
            codes = np.array([EXPLANATIONS.index(one.explanation) for one in found], dtype=np.int8)
            least = np.argmin(np.where(np.isnan(doses), np.inf, doses), axis=0)
            block.explanation[rows] = codes[least]
            block.red[rows] = np.take_along_axis(doses, least[None], axis=0)[0]
            block.low[rows] = np.fmin.reduce([one.dose_low_mj_cm2 for one in found])

    def _rule(
        self, block: _Block, intensity: Floats, flow: Floats, uvt: Floats, ranges: list[tuple[float, float]],
        bound_flow: Floats,
    ) -> None:
        """Reasons, weakest first, and what each does to the result. Only those that occur cost a pass."""
        reactor, reason = self.reactor, block.reason
        (dimmest, brightest), (least_flow, most_flow), (least_uvt, _) = ranges
        reason[:] = _CODE[Reason.OK]
        if dimmest < reactor.alarm_intensity_w_m2:
            reason[intensity < reactor.alarm_intensity_w_m2] = _CODE[Reason.BELOW_ALARM]
        if brightest > self.beyond_new_w_m2:
            reason[intensity > self.beyond_new_w_m2] = _CODE[Reason.ABOVE_NEW_LAMP]
        if least_uvt < self.uvt_min:
            outside = uvt < self.uvt_min
            reason[outside] = _CODE[Reason.BELOW_TESTED_UVT]
            _set(block.low, outside, 0.0)
        if max(most_flow, self.standing, np.nan_to_num(self.unmetered)) > self.flow_max:
            outside = bound_flow > self.flow_max
            reason[outside] = _CODE[Reason.ABOVE_TESTED_FLOW]
            _set(block.low, outside, 0.0)
        if not least_flow > 0:
            reason[flow == 0] = _CODE[Reason.NO_FLOW]
        for column, unknown in (
            (flow, Reason.NO_FLOW_READING), (uvt, Reason.NO_UVT), (intensity, Reason.NO_INTENSITY)
        ):
            missing = np.isnan(column)
            if missing.any():
                reason[missing] = _CODE[unknown]
                block.explanation[missing] = 0
        if dimmest == 0:
            self._nothing(block, intensity == 0, Reason.NO_LIGHT)
        cold = block.warm == 0
        if cold.any():
            reason[cold] = _CODE[Reason.WARMING]
            _set(block.low, cold, 0.0)
        off = block.lamp == 0
        if off.any():
            self._nothing(block, off, Reason.LAMP_OFF)

    def _nothing(self, block: _Block, rows: NDArray[np.bool_], why: Reason) -> None:
        """Dark water gets nothing, and that is known."""
        block.red[rows], block.low[rows] = 0.0, 0.0
        block.reason[rows], block.explanation[rows] = _CODE[why], 0


def _set(column: Floats, rows: NDArray[np.bool_], value: float) -> None:
    """Set where the column is known; unknown stays unknown."""
    column[rows & ~np.isnan(column)] = value


def _range(column: Floats) -> tuple[float, float]:
    """Least and greatest known value; NaN for none."""
    return float(np.fmin.reduce(column)), float(np.fmax.reduce(column))


def _refuse(name: str, column: Floats, known: tuple[float, float], first_row: int, *, at_most: float) -> None:
    """Refuse a reading that can't be."""
    least, greatest = known
    above_zero = name == "uvt_pct"
    if least < 0 or (above_zero and least == 0) or greatest > at_most or greatest == np.inf:
        with np.errstate(invalid="ignore"):
            wrong = (column < 0) | (column > at_most) | np.isinf(column) | (above_zero & (column == 0))
        index = int(np.flatnonzero(wrong)[0])
        allowed = "above 0 and at most 100" if above_zero else "at least 0 and finite"
        raise ValueError(f"{name} must be {allowed}; got {float(column[index])!r} at index {first_row + index}")
