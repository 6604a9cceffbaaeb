"""A unit's margin to target as a small picture (SVG), for a line of a list, a row of the fleet, or a file.

What time was lies over the line as shapes: dark is solid, cold is hatched, unheard is an empty box with a broken
edge, an unknown dose a row of dots. The line itself is thin above the target and thick below it. A picture holds no
text but what we write ourselves, and is shown as an image, which runs no script.
"""

from __future__ import annotations

from dataclasses import dataclass
from html import escape
from urllib.parse import quote

import numpy as np

from dashboard.charts.modes import in_both_modes
from dashboard.colours import LIGHT
from models.margin import Margins, Stretch, stretches

SHOWN_SHARE = 0.5  # of the target: what is further above or below it is drawn at the edge
PAPER, UNLIT, ZERO, LINE, SHORT, SOFT = LIGHT.paper, LIGHT.unlit, LIGHT.edge, LIGHT.accent, LIGHT.boil, LIGHT.soft
LEAST_PX = 1.5  # every stretch is seen
SHORT_PX = 1.5  # and every shortfall, however small


@dataclass(frozen=True, slots=True, kw_only=True)
class Size:
    """Of a picture. [px]"""

    width: float
    height: float
    litres: float = 0.0  # of its height, for the bars of litres under target; 0: none


SMALL = Size(width=168, height=26)
ROW = Size(width=720, height=56, litres=16)


def picture(margins: Margins, size: Size, title: str, *, most_l: float = 0.0) -> str:
    """The picture as SVG.

    Parameters
    ----------
    title : str
        What it shows, for who cannot see it.
    most_l : float
        The litres that fill the bars' height; 0: the most of this unit.
    """
    return framed(size, title, body(margins, size, most_l=most_l))


def framed(size: Size, title: str, drawn: str) -> str:
    """What is drawn, as a picture with a name."""
    return (
        f'<svg xmlns="http://www.w3.org/2000/svg" viewBox="0 0 {size.width:g} {size.height:g}" '
        f'width="{size.width:g}" height="{size.height:g}" preserveAspectRatio="none" role="img">'
        f"<title>{escape(title)}</title>{drawn}</svg>")


def body(margins: Margins, size: Size, *, most_l: float = 0.0) -> str:
    """What is drawn, without the frame."""
    high = size.height - size.litres
    total = (margins.until - margins.since).total_seconds() / margins.slot_s
    step = size.width / total if total > 0 else size.width
    zero = round(high / 2)
    return "".join((
        ground(size, zero), curve(heights(margins, high, zero), margins.margin_mj_cm2, step),
        *(_stretches(margins, one, step, high) for one in Stretch),
        _litres(margins, step, size, most_l) if size.litres else ""))


def ground(size: Size, zero: float) -> str:
    """Paper, and the target as a broken line."""
    return (
        f'<path fill="{PAPER}" d="M0 0h{size.width:g}v{size.height:g}H0z"/>'
        f'<path stroke="{ZERO}" stroke-dasharray="4 2" d="M0 {zero:g}h{size.width:g}"/>')


def data_uri(svg: str) -> str:
    """The picture as the source of an image, in the mode of the page that shows it."""
    return "data:image/svg+xml," + quote(in_both_modes(svg), safe=" /:;,=()'+*!?@-._~")


def heights(margins: Margins, high: float, zero: float) -> np.ndarray:
    """Where each slot's margin lies, from the top; a shortfall is never nearer than `SHORT_PX` to the target."""
    return share_heights(margins.margin_mj_cm2 / margins.target_mj_cm2, high, zero, SHOWN_SHARE)


def share_heights(share: np.ndarray, high: float, zero: float, shown: float) -> np.ndarray:
    """The same of any margin as a share of what is needed, up to `shown` of it above and below."""
    y = zero - np.clip(share, -shown, shown) / shown * (zero - 1.0)
    with np.errstate(invalid="ignore"):
        found: np.ndarray = np.where(share < 0, np.maximum(y, zero + SHORT_PX), np.minimum(y, high - 1.0))
        return found


def curve(drawn_at: np.ndarray, margin: np.ndarray, step: float) -> str:
    """Thin where the margin is there, thick where it is not; slots of one height are one stroke."""
    y = np.round(drawn_at * 2) / 2
    out = []
    for short, color, width in ((False, LINE, "1.3"), (True, SHORT, "3")):
        with np.errstate(invalid="ignore"):
            mine = ~np.isnan(y) & ((margin < 0) == short)
        path = _runs(y, mine, step)
        if path:
            out.append(f'<path fill="none" stroke="{color}" stroke-width="{width}" d="{path}"/>')
    return "".join(out)


def _runs(y: np.ndarray, mine: np.ndarray, step: float) -> str:
    """Each stretch of these slots as steps."""
    parts: list[str] = []
    last, begun = None, 0.0
    for slot in [*np.flatnonzero(mine).tolist(), None]:
        if last is not None and (slot != last + 1 or y[slot] != y[last]):
            parts.append(f"H{pixels((last + 1) * step)}")
        if slot is None:
            break
        if last is None or slot != last + 1:
            begun = slot * step
            parts.append(f"M{pixels(begun)} {y[slot]:g}")
        elif y[slot] != y[last]:
            parts.append(f"V{y[slot]:g}")
        last = slot
    return "".join(parts)


def _stretches(margins: Margins, kind: Stretch, step: float, high: float) -> str:
    """One kind's stretches, each at least `LEAST_PX` wide."""
    found = [(begin * step, max((end - begin) * step, LEAST_PX)) for begin, end in stretches(margins.share[kind])]
    if not found:
        return ""
    middle, top = f"{high / 2:g}", f"{high - 1:g}"
    if kind is Stretch.UNHEARD:
        boxes = "".join(f"M{pixels(x)} .5h{pixels(wide)}v{top}h-{pixels(wide)}z" for x, wide in found)
        return f'<path fill="{LIGHT.unheard_paper}" stroke="{LIGHT.silent}" stroke-dasharray="2 2" d="{boxes}"/>'
    along = "".join(f"M{pixels(x)} {middle}h{pixels(wide)}" for x, wide in found)
    if kind is Stretch.DARK:
        return f'<path stroke="{UNLIT}" stroke-width="{high:g}" d="{along}"/>'
    if kind is Stretch.COLD:
        return f'<path stroke="{LIGHT.cold}" stroke-width="{high:g}" stroke-dasharray="1 1" d="{along}"/>'
    return dots(along)


def dots(path: str) -> str:
    """The look of time of which no value is known."""
    return f'<path stroke="{SOFT}" stroke-width="3" stroke-dasharray="2 4" d="{path}"/>'


def _litres(margins: Margins, step: float, size: Size, most_l: float) -> str:
    """Bars below: solid what surely passed under target, an outline up to the most that it can have been."""
    base = size.height - 0.5
    least = np.nan_to_num(margins.underdosed_l, nan=0.0)
    most = np.where(np.isfinite(margins.underdosed_l_upper), margins.underdosed_l_upper, least)
    scale = (size.litres - 2.0) / max(most_l, float(np.max(most, initial=0.0)), 1.0)
    wide = pixels(max(step - 1.0, LEAST_PX))
    bars = [f'<path stroke="{ZERO}" d="M0 {base:g}h{size.width:g}"/>']
    for values, look in ((most, f'fill="none" stroke="{SHORT}"'), (least, f'fill="{SHORT}"')):
        path = "".join(
            f"M{pixels(slot * step)} {base:g}v-{pixels(max(values[slot] * scale, SHORT_PX))}h{wide}V{base:g}z"
            for slot in np.flatnonzero(values > 0).tolist())
        if path:
            bars.append(f'<path {look} d="{path}"/>')
    return "".join(bars)


def pixels(value: float) -> str:
    """A number of a picture: a tenth of a pixel is enough."""
    return f"{round(value, 1):g}"
