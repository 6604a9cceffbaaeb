"""The rules by which a block of readings becomes doses: the inside of `models.dose.columns`."""

from __future__ import annotations

from dataclasses import dataclass
from enum import StrEnum

import numpy as np
from numpy.typing import NDArray

from models.dose.lookup import DoseTable, dose_table
from models.dose.optics import Floats
from models.dose.reactor import (
    Explanation,
    Sensor,
    beyond_test,
    cloudiest_test_pct,
    explained,
    flow_max_l_min,
    flow_tested_l_min,
    untested_share,
    uvt_min_pct,
    uvt_points,
)
from models.fleet import Reactor


class DoseReason(StrEnum):
    """Why a row's dose is what it is; the first that holds, in reverse order of this list."""

    OK = "ok"
    BELOW_ALARM = "below-alarm"  # intensity below the unit's own alarm; the dose is computed all the same
    ABOVE_NEW_LAMP = "above-new-lamp"  # brighter than any new lamp can be: counted as a new lamp in clear water
    BELOW_TESTED_UVT = "below-tested-uvt"  # nobody tested it there: the bound bears `beyond_test`, no credit
    ABOVE_TESTED_FLOW = "above-tested-flow"  # likewise
    NO_FLOW = "no-flow"  # water stands: dose without limit, bound that of the next draw
    NO_FLOW_READING = "no-flow-reading"  # dose unknown, bound at the most that the supply can deliver
    NO_UVT = "no-uvt"  # unknown
    NO_INTENSITY = "no-intensity"  # unknown
    NO_LIGHT = "no-light"  # intensity 0: dose 0
    WARMING = "warming"  # bound 0 until the lamp is warm
    LAMP_OFF = "lamp-off"  # dose 0, whatever the sensor says


DOSE_REASONS: tuple[DoseReason, ...] = tuple(DoseReason)
EXPLANATIONS: tuple[Explanation, ...] = tuple(Explanation)
LOG_100 = float(np.log(100.0))
_NOT_READ = (DoseReason.NO_INTENSITY, DoseReason.NO_FLOW_READING, DoseReason.NO_UVT)  # in the order of the readings
_CODE = {reason: code for code, reason in enumerate(DOSE_REASONS)}
MEASURED, WEAK_LAMP, CLOUDY_WATER, CLEAR_WATER = (EXPLANATIONS.index(one) for one in (
    Explanation.MEASURED, Explanation.WEAK_LAMP, Explanation.CLOUDY_WATER, Explanation.CLEAR_WATER,
))


@dataclass(frozen=True, eq=False, kw_only=True, slots=True)
class Block:
    """Some rows: readings and flags as given, one value where all rows share it; results to fill."""

    readings: list[NDArray[np.number]]
    live: NDArray[np.int8]
    lamp: NDArray[np.int8]
    warm: NDArray[np.int8]
    red: Floats
    low: Floats
    reason: NDArray[np.int8]
    explanation: NDArray[np.int8]


class Kernel:
    """One reactor's rules for a block of rows, with room for its temporary columns."""

    def __init__(
        self, reactor: Reactor, peak_flow_l_min: float | None, rows: int, uvt_test_points: float | None = None
    ) -> None:
        if peak_flow_l_min is not None and not 0 < peak_flow_l_min < np.inf:
            raise ValueError(f"peak_flow_l_min must be above 0 and finite; got {peak_flow_l_min!r}")
        self.reactor = reactor
        self.tested_points = uvt_points(reactor, live=False, tested=uvt_test_points)
        self.table: DoseTable | None = (
            dose_table(reactor, self.tested_points) if reactor.equation is None else None)
        self.flow_max = flow_max_l_min(reactor)
        self.flow_least = float(flow_tested_l_min(reactor, uvt_min_pct(reactor)))  # in the cloudiest tested
        self.uvt_min = uvt_min_pct(reactor)
        self.cloudiest = cloudiest_test_pct(reactor)
        self.beyond_new_w_m2 = Sensor(reactor).brightest_w_m2 * (1 + reactor.sensor_uncertainty_pct / 100)
        self.unmetered = np.nan if peak_flow_l_min is None else peak_flow_l_min
        self.standing = self.flow_max if peak_flow_l_min is None else peak_flow_l_min
        self.room = np.empty((8, rows))
        self.node = np.empty(rows, dtype=np.intp)
        self.other_room = np.empty((8, rows))

    def run(self, block: Block, first_row: int) -> None:
        """Fill the results of one block."""
        intensity, flow, uvt = (np.ascontiguousarray(column, dtype=float) for column in block.readings)
        known = [_Range.of(column) for column in (intensity, flow, uvt)]
        _refuse("intensity_w_m2", intensity, known[0], first_row)
        _refuse("flow_l_min", flow, known[1], first_row)
        _refuse("uvt_pct", uvt, known[2], first_row)
        bound_flow = flow
        if not known[1].least > 0 or known[1].gaps:
            # Where no flow is known to pass, the bound is that of the flow that could come next.
            bound_flow = self.room[6, : len(flow)]
            np.copyto(bound_flow, flow)
            _put(bound_flow, flow == 0, self.standing)
            if known[1].gaps:
                _put(bound_flow, np.isnan(flow), self.unmetered)
        if self.table is not None:
            water = uvt[:1] if known[2].least == known[2].greatest and not known[2].gaps else uvt
            self._by_table(self.table, block, intensity, bound_flow, water, cloudiest_pct=known[2].least)
        else:
            self._by_equation(block, *np.broadcast_arrays(intensity, bound_flow, uvt, block.red)[:3])
        self._rule(block, (intensity, flow, uvt), known, bound_flow)

    def _by_table(
        self, table: DoseTable, block: Block, intensity: Floats, flow: Floats, uvt: Floats, *, cloudiest_pct: float
    ) -> None:
        """Value, bound and explanation by the geometric model, as if all were plain.

        Every pass over the rows counts here: results are used as room for what leads to them.
        """
        rows, waters = len(block.red), len(uvt)
        seen = np.minimum(intensity, table.brightest_w_m2, out=self.room[0, :rows])  # more earns no dose
        absorption, per_reading = self.room[1, :waters], self.room[2, :waters]
        spare, scratch, weakened = self.room[3, :waters], self.room[4, :waters], self.room[5, :waters]
        np.log(uvt, out=absorption)
        np.subtract(LOG_100, absorption, out=absorption)
        table.per_reading(absorption, out=per_reading, weakened=weakened, scratch=scratch)
        value = np.multiply(seen, per_reading, out=block.red)
        value /= flow
        live = block.live == 1
        all_live, some_live = bool(live.all()), bool(live.any())
        # the value holds what was in `per_reading`, which is room again
        certain, kept = self._shares(table, uvt, live, certain=spare, kept=per_reading, scratch=scratch)
        bound = np.multiply(value, certain, out=block.low)
        block.explanation[:] = MEASURED if all_live else WEAK_LAMP
        if some_live and not all_live:
            np.copyto(block.explanation, MEASURED, where=live)
        others = np.empty(0, dtype=np.intp)
        if not all_live and not table.blind:
            # Where the sensor sits far out cloudy water is the better case: only light beyond a new lamp's matters.
            if table.sees_far:
                matters = np.multiply(seen, weakened, out=self.room[4, :rows]) > table.brightest_w_m2
            else:
                matters = seen > 0
            if some_live:
                matters &= ~live
            others = np.flatnonzero(matters)
        bound *= kept
        rough = self.room[4, :rows]
        promised = np.multiply(value, kept, out=self.room[5, :rows])
        for product in (value, promised, bound):
            table.to_dose(product, scratch=rough)
        table.lower(promised, bound, scratch=rough)
        if cloudiest_pct < self.cloudiest:
            below = np.flatnonzero(np.broadcast_to(uvt < self.cloudiest, bound.shape))
            bound[below] *= 1.0 - untested_share(uvt if waters == 1 else uvt[below], self.cloudiest)
        if len(others):
            self._other_water(table, block, others, seen, flow, absorption)

    def _shares(
        self, table: DoseTable, uvt: Floats, live: NDArray[np.bool_], *, certain: Floats, kept: Floats,
        scratch: Floats,
    ) -> tuple[Floats, Floats]:
        """Shares that are certain and promised in each water, with a live sensor of it or by a water test."""
        room = (scratch, self.room[7, : len(uvt)])
        all_live, node = bool(live.all()), self.node[: len(uvt)]
        table.shares(uvt, live=all_live, certain=certain, kept=kept, scratch=room, node=node)
        if all_live or not live.any():
            return certain, kept
        with_sensor, promised = np.empty((2, len(uvt)))
        table.shares(uvt, live=True, certain=with_sensor, kept=promised, scratch=room, node=node)
        return np.where(live, with_sensor, certain), np.where(live, promised, kept)

    def _other_water(
        self, table: DoseTable, block: Block, rows: NDArray[np.intp], seen: Floats, flow: Floats,
        absorption: Floats,
    ) -> None:
        """Let other water explain a reading, with lamp and sleeve as new, where that means less dose."""
        room, node = self.other_room[:, : len(rows)], self.node[: len(rows)]
        reading, passing, known = (_take(column, rows, out) for column, out in zip(
            (seen, flow, absorption), room[5:], strict=True
        ))
        if_new = np.multiply(reading, 1.0 / table.brightest_w_m2, out=room[0])
        np.log(if_new, out=if_new)
        if_new *= -1.0 / table.reach_cm
        by_new = table.mean_decay(if_new, out=room[1], scratch=room[2])
        by_new *= table.per_intensity * table.brightest_w_m2
        by_new /= passing
        low = table.certain_as_new.at(reading, out=room[3], scratch=room[2], node=node)
        promised = table.kept_as_new.at(reading, out=room[4], scratch=room[2], node=node)
        promised *= by_new
        low *= promised
        low = _bounded(table, promised, low, room[2])
        table.to_dose(by_new, scratch=room[2])
        if not table.sees_far:  # a mixture of weak lamp and cloudy water may be worse than either
            between = (known - table.worst_absorption) * (if_new - table.worst_absorption) < 0
            mixed = table.at_worst * reading / passing
            promised = mixed * table.kept_at_worst
            mixed_low = _bounded(table, promised, promised * table.certain_at_worst, room[2])
            table.to_dose(mixed, scratch=room[2])
            np.copyto(by_new, mixed, where=between)
            np.copyto(low, np.minimum(low, mixed_low), where=between)
        block.low[rows] = np.minimum(block.low.take(rows), low)
        as_known = block.red.take(rows)
        block.red[rows] = np.minimum(as_known, by_new)
        other = np.where(if_new < known, np.int8(CLEAR_WATER), np.int8(CLOUDY_WATER))
        block.explanation[rows] = np.where(by_new < as_known, other, np.int8(WEAK_LAMP))

    def _by_equation(self, block: Block, intensity: Floats, flow: Floats, uvt: Floats) -> None:
        """Value, bound and explanation by the test report's equation, as if all were plain."""
        block.red[:], block.low[:], block.explanation[:] = np.nan, np.nan, 0
        measured = np.broadcast_to(block.live == 1, block.red.shape)  # one value may stand for all rows
        for live in (True, False):
            rows = np.flatnonzero(measured == live)
            if not len(rows):
                continue
            found = explained(
                self.reactor, intensity[rows], flow[rows], uvt[rows], water_may_differ=not live,
                uvt_points=uvt_points(self.reactor, live=live, tested=self.tested_points),
            )
            doses = np.array([one.dose_mj_cm2 for one in found])
            codes = np.array([EXPLANATIONS.index(one.explanation) for one in found], dtype=np.int8)
            least = np.argmin(np.where(np.isnan(doses), np.inf, doses), axis=0)
            block.explanation[rows] = codes[least]
            block.red[rows] = np.take_along_axis(doses, least[None], axis=0)[0]
            block.low[rows] = np.fmin.reduce([one.dose_low_mj_cm2 for one in found])

    def _rule(
        self, block: Block, readings: tuple[Floats, Floats, Floats], known: list[_Range], bound_flow: Floats
    ) -> None:
        """Reasons, and what each does to the result: the later the stronger. Only those that occur cost a pass."""
        intensity, flow, _ = readings
        block.reason[:] = 0
        if known[0].least < self.reactor.alarm_intensity_w_m2:
            _say(block.reason, intensity < self.reactor.alarm_intensity_w_m2, DoseReason.BELOW_ALARM)
        if known[0].greatest > self.beyond_new_w_m2:
            _say(block.reason, intensity > self.beyond_new_w_m2, DoseReason.ABOVE_NEW_LAMP)
        self._outside_the_test(block, readings, known, bound_flow)
        if known[1].least == 0:
            stands = flow == 0
            _say(block.reason, stands, DoseReason.NO_FLOW)
            _put(block.red, stands, np.inf)
        _unknown(block, readings, known)
        if known[0].least == 0:
            _nothing(block, intensity == 0, DoseReason.NO_LIGHT)
        cold = block.warm == 0
        if cold.any():
            _say(block.reason, cold, DoseReason.WARMING)
            np.multiply(block.low, ~cold, out=block.low)  # 0, and unknown stays unknown
        off = block.lamp == 0
        if off.any():
            _nothing(block, off, DoseReason.LAMP_OFF)

    def _outside_the_test(
        self, block: Block, readings: tuple[Floats, Floats, Floats], known: list[_Range], bound_flow: Floats
    ) -> None:
        """Note the rows of which the validation test says nothing, by water and by flow, and lower their bound."""
        _, flow, uvt = readings
        outside = np.zeros(1, bool)
        if known[2].least < self.uvt_min:
            outside = uvt < self.uvt_min
            _say(block.reason, outside, DoseReason.BELOW_TESTED_UVT)
        if known[1].greatest > self.flow_least or bound_flow is not flow:
            faster = bound_flow > (flow_tested_l_min(self.reactor, uvt) if self.reactor.tests else self.flow_max)
            _say(block.reason, faster, DoseReason.ABOVE_TESTED_FLOW)
            outside = outside | faster
        if outside.any():  # of few rows, mostly: those alone are worked out
            rows = np.flatnonzero(np.broadcast_to(outside, block.low.shape))
            of_water, of_flow = (column if len(column) == 1 else column[rows] for column in (uvt, bound_flow))
            block.low[rows] *= 1.0 - beyond_test(self.reactor, uvt_pct=of_water, flow_l_min=of_flow)


def _bounded(table: DoseTable, x: Floats, low: Floats, scratch: Floats) -> Floats:
    """Dose in place of `x`, its lower bound in place of `low`, which is given back."""
    table.to_dose(x, scratch=scratch)
    table.to_dose(low, scratch=scratch)
    return table.lower(x, low, scratch=scratch)


def _take(column: Floats, rows: NDArray[np.intp], out: Floats) -> Floats:
    """Some rows of a column, or the one value that all rows share."""
    return column if len(column) == 1 else column.take(rows, out=out, mode="clip")


def _put(column: Floats, where: NDArray[np.bool_], value: float) -> None:
    """Put a value where few rows are meant: `copyto` with a mask costs twice as much."""
    if len(where) == len(column):
        column[np.flatnonzero(where)] = value
    elif where[0]:
        column[:] = value


def _say(reason: NDArray[np.int8], rows: NDArray[np.bool_], why: DoseReason) -> None:
    """Note a reason; of several the one later in `DOSE_REASONS` stays."""
    np.maximum(reason, rows.view(np.int8) * np.int8(_CODE[why]), out=reason)


def _unknown(block: Block, readings: tuple[Floats, Floats, Floats], known: list[_Range]) -> None:
    """Without one of its readings a dose is unknown."""
    for column, of, reason in zip(readings, known, _NOT_READ, strict=True):
        if of.gaps:
            missing = np.isnan(column)
            _say(block.reason, missing, reason)
            np.copyto(block.red, np.nan, where=missing)
            np.copyto(block.explanation, 0, where=missing)


def _nothing(block: Block, rows: NDArray[np.bool_], why: DoseReason) -> None:
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
