"""Contrast as WCAG 2.2 defines it (models/SOURCES.md, section 16), for colours and for pixels."""

from __future__ import annotations

TEXT, MARKS = 4.5, 3.0  # success criteria 1.4.3 and 1.4.11


def channels(colour: str) -> tuple[float, float, float]:
    """`#rrggbb` as numbers of 0 to 255."""
    red, green, blue = (float(int(colour[at:at + 2], 16)) for at in (1, 3, 5))
    return red, green, blue


def luminance(rgb: tuple[float, float, float]) -> float:
    """Relative luminance, 0 to 1."""
    linear = [c / 12.92 if c <= 0.04045 else ((c + 0.055) / 1.055) ** 2.4 for c in (one / 255 for one in rgb)]
    return 0.2126 * linear[0] + 0.7152 * linear[1] + 0.0722 * linear[2]


def ratio(one: tuple[float, float, float], other: tuple[float, float, float]) -> float:
    """Contrast, 1 to 21."""
    low, high = sorted((luminance(one), luminance(other)))
    return (high + 0.05) / (low + 0.05)


def contrast(one: str, other: str) -> float:
    """The same of two `#rrggbb`."""
    return ratio(channels(one), channels(other))


def turned_on_paper(colour: str) -> tuple[float, float, float]:
    """What `invert(1) hue-rotate(180deg) brightness(1.15)` makes of a colour (Filter Effects, same section)."""
    red, green, blue = (255.0 - one for one in channels(colour))
    rows = ((-0.574, 1.430, 0.144), (0.426, 0.430, 0.144), (0.426, 1.430, -0.856))
    out = [min(255.0, 1.15 * min(255.0, max(0.0, a * red + b * green + c * blue))) for a, b, c in rows]
    return out[0], out[1], out[2]
