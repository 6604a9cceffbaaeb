"""The colours of pages and pictures, light and dark: the one place that holds them, and what may stand on what.

A page follows the reader's machine; paper is always light. Nothing rests on colour alone: a verdict is a shape and
a word, a stretch of time has a lane or a pattern of its own.
"""

from __future__ import annotations

from dataclasses import dataclass, fields


@dataclass(frozen=True, slots=True, kw_only=True)
class Colours:
    """One mode's colours, each by what it is for; `#rrggbb`.

    Attributes
    ----------
    paper, panel, alarm, code : str
        What is written and drawn on: the page, a notice or a map, a warning, a command or a lane that is pale.
    ink, soft : str
        Text, and text that is less.
    edge : str
        A line that has to be seen: an axis, the end of a bar.
    hair : str
        A line that only divides: nothing is lost where it is not seen.
    accent, on_accent : str
        Links, focus, primary buttons and the dose; words in such a button.
    boil, silent, watch, clear : str
        Verdicts; `boil` also is whatever is below its target.
    on_boil : str
        Words on `boil`.
    lit, warming, weak, unlit, unheard : str
        What time was, in lanes.
    hatch : str
        Patterns over these.
    cold, unheard_paper : str
        Hatching of cold time in small pictures, and what fills their boxes of unheard time.
    intensity, flow : str
        Lines of these quantities.
    """

    paper: str
    panel: str
    alarm: str
    code: str
    ink: str
    soft: str
    edge: str
    hair: str
    accent: str
    on_accent: str
    boil: str
    on_boil: str
    silent: str
    watch: str
    clear: str
    lit: str
    warming: str
    weak: str
    unlit: str
    unheard: str
    hatch: str
    cold: str
    unheard_paper: str
    intensity: str
    flow: str


# No two roles of one mode share a colour: a picture drawn in the light ones is turned into the dark by its colours.
LIGHT = Colours(
    paper="#ffffff", panel="#f5f8fa", alarm="#fdf3f3", code="#e8eef2",
    ink="#14212b", soft="#46545f", edge="#6f7c86", hair="#c9d3da",
    accent="#0b5c7a", on_accent="#fefefe",
    boil="#a31621", on_boil="#fffefe", silent="#4a2a78", watch="#7a4a00", clear="#0d5c46",
    lit="#3d9377", warming="#b98210", weak="#cc5f16", unlit="#14212d", unheard="#7d70a6",
    hatch="#14212c", cold="#a86500", unheard_paper="#f0edf5", intensity="#6a3fa0", flow="#1f6f9f")
DARK = Colours(
    paper="#101820", panel="#18232d", alarm="#2e181b", code="#202c37",
    ink="#e6edf2", soft="#a9b7c2", edge="#7f8e9a", hair="#33414d",
    accent="#6cc3e6", on_accent="#04202c",
    boil="#ff9a9e", on_boil="#2b070a", silent="#cbb6f7", watch="#f0b95a", clear="#6fd3b0",
    lit="#4fae90", warming="#d39a2a", weak="#e07a35", unlit="#93a1ad", unheard="#9385bd",
    hatch="#0c141b", cold="#d39b2b", unheard_paper="#2a2438", intensity="#c4a1f0", flow="#6bb8e6")

# What is written on what: contrast of 4.5 to 1 and more (WCAG 2.2, success criterion 1.4.3; SOURCES.md section 16).
TEXT = (
    *((ink, paper) for ink in ("ink", "soft", "boil") for paper in ("paper", "panel", "alarm")),
    *((ink, paper) for ink in ("accent", "silent", "watch", "clear") for paper in ("paper", "panel")),
    ("ink", "code"), ("on_boil", "boil"), ("on_accent", "accent"), ("paper", "unlit"))
# What is drawn or framed on what and has to be seen: 3 to 1 and more (the same, success criterion 1.4.11).
MARKS = (
    *((mark, paper) for mark in ("ink", "soft", "edge", "accent", "boil", "silent", "watch", "clear")
      for paper in ("paper", "panel")),
    *((mark, "alarm") for mark in ("accent", "boil")),
    *((mark, "paper") for mark in (
        "lit", "warming", "weak", "unlit", "unheard", "cold", "intensity", "flow")),
    *(("hatch", lane) for lane in ("lit", "warming", "weak", "unheard")),
    ("silent", "unheard_paper"), ("edge", "code"))
# What a reader loses nothing by not seeing: the lines of a grid, the ground that a notice stands on.
DECORATION = ("hair", "panel", "alarm", "code", "unheard_paper")


def style_variables() -> str:
    """CSS variables named after the roles, each in the mode of the element that uses it; light on paper.

    Streamlit says which mode it shows by `color-scheme`, which `light-dark()` goes by. A browser that does not know
    that function gets the light colours.
    """
    light = "".join(f"--{_css_name(role)}:{getattr(LIGHT, role)};" for role in _roles())
    both = "".join(
        f"--{_css_name(role)}:light-dark({getattr(LIGHT, role)},{getattr(DARK, role)});" for role in _roles())
    return f":root{{{light}}}@supports (color:light-dark(#000,#fff)){{:root{{{both}}}}}"


def theme_options() -> list[str]:
    """The same for Streamlit's own parts, as options of its command line."""
    return [
        f"--theme.{mode}.{name}={value}"
        for mode, one in (("light", LIGHT), ("dark", DARK))
        for name, value in (
            ("primaryColor", one.accent), ("backgroundColor", one.paper), ("secondaryBackgroundColor", one.panel),
            ("textColor", one.ink), ("linkColor", one.accent))]


def counterpart(value: str) -> str:
    """The dark colour of what is drawn in this light one, as `#rrggbb` or as `rgba(r,g,b,share)`.

    Raises
    ------
    ValueError
        If it is none of `LIGHT`: a picture would keep a colour of the other mode.
    """
    if value == NO_FILL:
        return value
    if not value.startswith("rgba("):
        if value not in _DARK_OF:
            raise ValueError(f"{value!r} is no colour of dashboard/colours.py")
        return _DARK_OF[value]
    *parts, share = value[len("rgba("):-1].split(",")
    dark = counterpart("#" + "".join(f"{int(part):02x}" for part in parts))
    return veil(dark, float(share))


def veil(value: str, share: float) -> str:
    """A colour that lets through what lies below it.

    Parameters
    ----------
    value : str
        `#rrggbb`.
    share : float
        How much it covers, 0 to 1.
    """
    red, green, blue = (int(value[at:at + 2], 16) for at in (1, 3, 5))
    return f"rgba({red},{green},{blue},{share:g})"


def _roles() -> list[str]:
    return [one.name for one in fields(Colours)]


def _css_name(role: str) -> str:
    return role.replace("_", "-")


NO_FILL = "rgba(0,0,0,0)"
_DARK_OF: dict[str, str] = {getattr(LIGHT, role): getattr(DARK, role) for role in _roles()}
