"""The dose of whole columns of readings, with a reason for every row where it can't be taken at face value."""

from __future__ import annotations

from dataclasses import dataclass
from enum import StrEnum

import numpy as np
import pandas as pd
from numpy.typing import ArrayLike, NDArray

from models.dose_model import Explanation, Sensor, explained, flow_max_l_min, uvt_min_pct, uvt_points
from models.dose_table import DoseTable, dose_table
from models.fleet import Reactor
from models.optics import Floats

BLOCK_ROWS = 65536  # a block's dozen temporary columns stay in the processor's cache


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
EXPLANATIONS: tuple[Explanation, ...] = tuple(Explanation)
_CODE = {reason: code for code, reason in enumerate(REASONS)}
MEASURED, WEAK_LAMP, CLOUDY_WATER, CLEAR_WATER = (EXPLANATIONS.index(one) for one in (
    Explanation.MEASURED, Explanation.WEAK_LAMP, Explanation.CLOUDY_WATER, Explanation.CLEAR_WATER,
))


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
    kernel = _Kernel(reactor, peak_flow_l_min, rows=min(size, BLOCK_ROWS))
    # An unknown has no place in a table, and transparent water divides 0 by 0 on its way to the limit.
    with np.errstate(invalid="ignore", divide="ignore"):
        for start in range(0, size, BLOCK_ROWS):
            rows = slice(start, start + BLOCK_ROWS)
            given = [column[rows][:1] if column.strides == (0,) else column[rows] for column in flat]
            kernel.run(_Block(
                readings=given[:3], live=given[3], lamp=given[4], warm=given[5], red=red[rows], low=low[rows],
                reason=reason[rows], explanation=explanation[rows],
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
    """Some rows: readings and flags as given, one value where all rows share it; results to fill."""

    readings: list[NDArray[np.number]]
    live: NDArray[np.int8]
    lamp: NDArray[np.int8]
    warm: NDArray[np.int8]
    red: Floats
    low: Floats
    reason: NDArray[np.int8]
    explanation: NDArray[np.int8]


class _Kernel:
    """One reactor's rules for a block of rows, with room for its temporary columns."""

    def __init__(self, reactor: Reactor, peak_flow_l_min: float | None, rows: int) -> None:
        if peak_flow_l_min is not None and not 0 < peak_flow_l_min < np.inf:
            raise ValueError(f"peak_flow_l_min must be above 0 and finite; got {peak_flow_l_min!r}")
        self.reactor = reactor
        self.table: DoseTable | None = dose_table(reactor) if reactor.equation is None else None
        self.flow_max = flow_max_l_min(reactor)
        self.uvt_min = uvt_min_pct(reactor)
        self.beyond_new_w_m2 = Sensor(reactor).brightest_w_m2 * (1 + reactor.sensor_uncertainty_pct / 100)
        self.unmetered = np.nan if peak_flow_l_min is None else peak_flow_l_min
        self.standing = self.flow_max if peak_flow_l_min is None else peak_flow_l_min
        self.room = np.empty((6, rows))

    def run(self, block: _Block, first_row: int) -> None:
        """Fill the results of one block."""
        intensity, flow, uvt = (np.ascontiguousarray(column, dtype=float) for column in block.readings)
        known = [_Range.of(column) for column in (intensity, flow, uvt)]
        _refuse("intensity_w_m2", intensity, known[0], first_row)
        _refuse("flow_l_min", flow, known[1], first_row)
        _refuse("uvt_pct", uvt, known[2], first_row)
        bound_flow = flow
        if not known[1].least > 0 or known[1].gaps:
            # Where no flow is known to pass, the bound is that of the flow that could come next.
            bound_flow = np.where(flow == 0, self.standing, flow)
            np.copyto(bound_flow, self.unmetered, where=np.isnan(flow))
        if self.table is not None:
            water = uvt[:1] if known[2].least == known[2].greatest and not known[2].gaps else uvt
            self._by_table(self.table, block, intensity, bound_flow, water)
        else:
            self._by_equation(block, *np.broadcast_arrays(intensity, bound_flow, uvt, block.red)[:3])
        self._rule(block, (intensity, flow, uvt), known, bound_flow)

    def _by_table(
        self, table: DoseTable, block: _Block, intensity: Floats, flow: Floats, uvt: Floats
    ) -> None:
        """Value, bound and explanation by the geometric model, as if all were plain."""
        rows, waters = len(block.red), len(uvt)
        seen = np.minimum(intensity, table.brightest_w_m2, out=self.room[0, :rows])  # more earns no dose
        absorption, at_sleeve = self.room[1, :waters], self.room[2, :rows]
        spare, scratch = self.room[3, :waters], self.room[4, :waters]
        np.multiply(uvt, 0.01, out=absorption)
        np.log(absorption, out=absorption)
        np.negative(absorption, out=absorption)
        np.multiply(absorption, table.reach_cm, out=spare)
        np.exp(spare, out=spare)
        np.multiply(seen, spare, out=at_sleeve)  # what the sensor would read without the water
        table.mean_decay(absorption, out=spare, scratch=scratch)
        value = np.multiply(at_sleeve, spare, out=block.red)
        value *= table.per_intensity
        live = block.live == 1
        all_live, some_live = bool(live.all()), bool(live.any())
        bound = np.multiply(value, table.certain(uvt, live=all_live, out=spare, scratch=scratch), out=block.low)
        block.explanation[:] = MEASURED if all_live else WEAK_LAMP
        if some_live and not all_live:
            certain = table.certain(uvt, live=True, out=spare, scratch=scratch)
            np.copyto(bound, value * certain, where=live)
            np.copyto(block.explanation, MEASURED, where=live)
        if not all_live and not table.blind:
            # Where the sensor sits far out cloudy water is the better case: only light beyond a new lamp's matters.
            matters = at_sleeve > table.brightest_w_m2 if table.sees_far else seen > 0
            if some_live:
                matters &= ~live
            rows_of = np.flatnonzero(matters)
            if len(rows_of):
                self._other_water(table, block, rows_of, seen, absorption, at_sleeve)
        for result in (value, bound):
            result /= flow
            np.log1p(result, out=result)
            result *= table.scale

    def _other_water(
        self, table: DoseTable, block: _Block, rows: NDArray[np.intp], seen: Floats, absorption: Floats,
        at_sleeve: Floats,
    ) -> None:
        """Let other water explain a reading, with lamp and sleeve as new, where that means less dose."""
        reading = seen.take(rows)
        if_new, spare, scratch = np.empty_like(reading), np.empty_like(reading), np.empty_like(reading)
        np.multiply(reading, 1.0 / table.brightest_w_m2, out=if_new)
        np.log(if_new, out=if_new)
        if_new *= -1.0 / table.reach_cm
        by_new = table.mean_decay(if_new, out=np.empty_like(reading), scratch=scratch)
        by_new *= table.per_intensity * table.brightest_w_m2
        low = table.certain_as_new.at(reading, out=spare, scratch=scratch)
        low *= by_new
        if not table.sees_far:  # a mixture of weak lamp and cloudy water may be worse than either
            known = np.broadcast_to(absorption, seen.shape)[rows]
            between = (known - table.worst_absorption) * (if_new - table.worst_absorption) < 0
            mixed = table.at_worst * reading
            np.copyto(by_new, mixed, where=between)
            np.copyto(low, np.minimum(low, mixed * table.certain_at_worst), where=between)
        block.low[rows] = np.minimum(block.low.take(rows), low)
        as_known = block.red.take(rows)
        block.red[rows] = np.minimum(as_known, by_new)
        brighter = at_sleeve.take(rows) > table.brightest_w_m2
        other = np.where(brighter, np.int8(CLEAR_WATER), np.int8(CLOUDY_WATER))
        block.explanation[rows] = np.where(by_new < as_known, other, np.int8(WEAK_LAMP))

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
        self, block: _Block, readings: tuple[Floats, Floats, Floats], known: list[_Range], bound_flow: Floats
    ) -> None:
        """Reasons, and what each does to the result. Only those that occur cost a pass."""
        (intensity, flow, uvt), reason, low = readings, block.reason, block.low
        reason[:] = 0
        if known[0].least < self.reactor.alarm_intensity_w_m2:
            _say(reason, intensity < self.reactor.alarm_intensity_w_m2, Reason.BELOW_ALARM)
        if known[0].greatest > self.beyond_new_w_m2:
            _say(reason, intensity > self.beyond_new_w_m2, Reason.ABOVE_NEW_LAMP)
        if known[2].least < self.uvt_min:
            outside = uvt < self.uvt_min
            _say(reason, outside, Reason.BELOW_TESTED_UVT)
            low *= ~outside  # 0, and unknown stays unknown
        if known[1].greatest > self.flow_max or bound_flow is not flow:
            outside = bound_flow > self.flow_max
            _say(reason, outside, Reason.ABOVE_TESTED_FLOW)
            low *= ~outside
        if known[1].least == 0:
            stands = flow == 0
            _say(reason, stands, Reason.NO_FLOW)
            np.copyto(block.red, np.inf, where=stands)
        for column, of, unknown in (
            (flow, known[1], Reason.NO_FLOW_READING), (uvt, known[2], Reason.NO_UVT),
            (intensity, known[0], Reason.NO_INTENSITY),
        ):
            if of.gaps:
                missing = np.isnan(column)
                _say(reason, missing, unknown)
                np.copyto(block.red, np.nan, where=missing)
                np.copyto(block.explanation, 0, where=missing)
        if known[0].least == 0:
            _nothing(block, intensity == 0, Reason.NO_LIGHT)
        cold = block.warm == 0
        if cold.any():
            _say(reason, cold, Reason.WARMING)
            low *= ~cold
        off = block.lamp == 0
        if off.any():
            _nothing(block, off, Reason.LAMP_OFF)


def _say(reason: NDArray[np.int8], rows: NDArray[np.bool_], why: Reason) -> None:
    """Note a reason; of several the one later in `REASONS` stays."""
    np.maximum(reason, rows.view(np.int8) * np.int8(_CODE[why]), out=reason)


def _nothing(block: _Block, rows: NDArray[np.bool_], why: Reason) -> None:
    """Dark water gets nothing, and that is known."""
    _say(block.reason, rows, why)
    for result in (block.red, block.low, block.explanation):
        np.copyto(result, 0, where=rows)


@dataclass(frozen=True, slots=True)
class _Range:
    """Least and greatest known value of a column, NaN if none is known, and whether any is unknown."""

    least: float
    greatest: float
    gaps: bool

    @classmethod
    def of(cls, column: Floats) -> _Range:
        """Two passes, four where something is unknown."""
        least, greatest = float(column.min()), float(column.max())
        if least == least:
            return cls(least, greatest, False)
        return cls(float(np.fmin.reduce(column)), float(np.fmax.reduce(column)), True)


def _refuse(name: str, column: Floats, known: _Range, first_row: int) -> None:
    """Refuse a reading that can't be."""
    is_uvt = name == "uvt_pct"
    if known.least < 0 or known.greatest == np.inf or (is_uvt and (known.least == 0 or known.greatest > 100)):
        wrong = (column < 0) | np.isinf(column)
        if is_uvt:
            wrong |= (column == 0) | (column > 100)
        index = int(np.flatnonzero(wrong)[0])
        allowed = "above 0 and at most 100" if is_uvt else "at least 0 and finite"
        raise ValueError(f"{name} must be {allowed}; got {float(column[index])!r} at index {first_row + index}")
