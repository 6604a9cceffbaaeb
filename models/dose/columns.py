"""The dose of whole columns of readings, with a reason for every row where it can't be taken at face value."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import pandas as pd
from numpy.typing import ArrayLike, NDArray

from models.dose.kernel import DOSE_REASONS, EXPLANATIONS, Block, Kernel
from models.dose.optics import Floats
from models.fleet import Reactor

BLOCK_ROWS = 65536  # so that Python's share is small and the temporary columns still fit a processor's cache


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
        return np.array(DOSE_REASONS, dtype=object)[self.reason_code]  # one row: the word itself

    @property
    def explanation(self) -> NDArray[np.object_]:
        """Which explanation of the reading counted, as words."""
        return np.array(EXPLANATIONS, dtype=object)[self.explanation_code]


def assess(
    reactor: Reactor, *, intensity_w_m2: ArrayLike, flow_l_min: ArrayLike, uvt_pct: ArrayLike,
    uvt_live: ArrayLike, lamp_on: ArrayLike | None = None, warm: ArrayLike | None = None,
    peak_flow_l_min: float | None = None, uvt_test_points: float | None = None,
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
    uvt_test_points : float, optional
        How far the water may be from its latest test, as of `models.dose.water_band.band_points`; by default as far
        as from a fresh one. [points]

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
    - above the tested flow, below the tested transmittance: the model's value; its bound less what
      `models.dose.reactor.beyond_test` does not promise. Nothing is validated there: no credit rests on it.
    - brighter than a new lamp could be in water that absorbs nothing: counted as just that.

    For any row the bound is at most the value. Both never rise when flow rises or intensity falls (the bound
    but for the step at no flow), nor, at a fixed output of the lamp of at most a new one's, when transmittance
    falls. At the test point, with transmittance measured, the value is the test's RED over the validation
    factor; without, too, unless the test ran below the new lamp's output and the sensor sits nearer to sleeve
    than to wall (then a cloudier water explains the reading as well, and counts). The bound also bears what the
    reactor's own test does not know of its dose (`Reactor.test_error`).

    With the geometric model the value is the closed form's; its bound comes from a table of the reactor kind,
    within 5e-4 of the exact bound for 40 to 100 % and readings above 2 % of the brightest
    (`models.dose.lookup`). Away from the test's transmittance the bound also bears what a lamp of finite length
    with slanting rays gives less (`models.dose.finite_lamp`). The validation factor may hold part of the sensor's
    uncertainty already; counting it again errs on the safe side.
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
    kernel = Kernel(
        reactor, peak_flow_l_min, rows=min(size, BLOCK_ROWS), uvt_test_points=uvt_test_points)
    # An unknown has no place in a table, and transparent water divides 0 by 0 on its way to the limit.
    with np.errstate(invalid="ignore", divide="ignore"):
        for start in range(0, size, BLOCK_ROWS):
            rows = slice(start, start + BLOCK_ROWS)
            given = [column[rows][:1] if column.strides == (0,) else column[rows] for column in flat]
            kernel.run(Block(
                readings=given[:3], live=given[3], lamp=given[4], warm=given[5], red=red[rows], low=low[rows],
                reason=reason[rows], explanation=explanation[rows],
            ), first_row=start)
    return Assessment(
        red_mj_cm2=red.reshape(shape), red_low_mj_cm2=low.reshape(shape),
        reason_code=reason.reshape(shape), explanation_code=explanation.reshape(shape),
    )


def _numbers(name: str, x: ArrayLike) -> NDArray[np.number]:
    """A column as numbers, unknown as NaN, without copying one that already is."""
    if isinstance(getattr(x, "dtype", None), pd.api.extensions.ExtensionDtype):
        x = pd.Series(x).to_numpy(dtype=float, na_value=np.nan)
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
