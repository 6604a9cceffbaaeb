"""A lamp's readings against its need as small pictures (SVG): its last days for a row, its life over lamp hours.

Drawn as margins to target are (`margin_line`): thin above the need, thick below it, dots where nothing was read.
"""

from __future__ import annotations

import numpy as np

from dashboard.charts.margin_line import LINE, SHORT, SOFT, Size, curve, dots, framed, ground, pixels, share_heights
from ingest.outlook.lamp_history import LampHistory
from models.margin import stretches

SHOWN_SHARE = 1.0  # of the need: from nothing to twice of it
DAYS = Size(width=168, height=30)
LIFE = Size(width=168, height=64)


def days_picture(last: np.ndarray, title: str) -> str:
    """The last days, a step each.

    Parameters
    ----------
    last : ndarray
        Reading over need, less 1, of each day; NaN: not read.
    title : str
        What it shows, for who cannot see it.
    """
    zero, step = DAYS.height / 2, DAYS.width / len(last)
    gaps = "".join(
        f"M{pixels(begin * step)} {zero:g}h{pixels((end - begin) * step)}"
        for begin, end in stretches(np.isnan(last).astype(float)))
    return framed(DAYS, title, "".join((
        ground(DAYS, zero), curve(share_heights(last, DAYS.height, zero, SHOWN_SHARE), last, step),
        dots(gaps) if gaps else "")))


def life_picture(history: LampHistory, title: str, *, most_h: float, rated_h: float) -> str:
    """Each lamp that was in it over its hours: the present one strong, earlier ones pale; a mark at the rated life.

    Parameters
    ----------
    most_h : float
        Lamp hours at the right edge, the same for all lamps of a kind. [h]
    rated_h : float
        [h]
    """
    zero, per_h = LIFE.height / 2, LIFE.width / most_h
    drawn = [ground(LIFE, zero),
             f'<path stroke="{SOFT}" stroke-dasharray="1 3" d="M{pixels(rated_h * per_h)} 0V{LIFE.height:g}"/>']
    for number, (hours, margin) in enumerate(history.lives):
        present = number == len(history.lives) - 1
        y = share_heights(margin, LIFE.height, zero, SHOWN_SHARE)
        look = (f'stroke="{LINE}" stroke-width="1.6"' if present else
                f'stroke="{SOFT}" stroke-width="1" stroke-opacity=".45"')
        drawn.append(f'<path fill="none" {look} d="{_along(hours * per_h, y)}"/>')
        if present and (margin < 0).any():
            marks = "".join(f"M{pixels(x)} {pixels(one)}h1.5" for x, one in zip(
                (hours * per_h)[margin < 0].tolist(), y[margin < 0].tolist(), strict=True))
            drawn.append(f'<path stroke="{SHORT}" stroke-width="3" d="{marks}"/>')
    return framed(LIFE, title, "".join(drawn))


def _along(x: np.ndarray, y: np.ndarray) -> str:
    """A line through points; one point is a dash."""
    points = [f"{pixels(one)} {pixels(other)}" for one, other in zip(x.tolist(), y.tolist(), strict=True)]
    return f"M{points[0]}h2" if len(points) == 1 else "M" + "L".join(points)
