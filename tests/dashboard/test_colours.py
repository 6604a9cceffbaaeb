"""Every colour of the pages reads well on what it stands on, light, dark and on paper, and stands in one file.

Contrast by WCAG 2.2: models/SOURCES.md, section 16.
"""

from __future__ import annotations

import re
from dataclasses import asdict
from pathlib import Path

import pytest

from dashboard.colours import DARK, DECORATION, LIGHT, MARKS, TEXT, Colours, counterpart, theme_options, veil
from tests import contrast

DASHBOARD = Path(__file__).resolve().parents[2] / "dashboard"
STYLE = (DASHBOARD / "style.css").read_text(encoding="utf-8")
MODES = {"light": LIGHT, "dark": DARK}
HEX = re.compile(r"#[0-9a-fA-F]{3}(?:[0-9a-fA-F]{3})?\b")


def test_the_formula_gives_known_ratios() -> None:
    """21 is the most that the definition allows; the greys are examples in common use (from memory)."""
    assert contrast.contrast("#000000", "#ffffff") == pytest.approx(21.0)
    assert contrast.contrast("#767676", "#ffffff") == pytest.approx(4.54, abs=0.005)
    assert contrast.contrast("#949494", "#ffffff") == pytest.approx(3.03, abs=0.005)
    assert contrast.contrast("#123456", "#123456") == 1.0


@pytest.mark.parametrize("mode", MODES)
def test_text_and_marks_stand_out_from_what_they_are_on(mode: str) -> None:
    colours = asdict(MODES[mode])
    poor = {
        (mode, one, other): round(found, 2) for pairs, least in ((TEXT, contrast.TEXT), (MARKS, contrast.MARKS))
        for one, other in pairs if (found := contrast.contrast(colours[one], colours[other])) < least}
    assert poor == {}


def test_a_drawing_in_the_dark_colours_reads_well_when_it_is_turned_for_paper() -> None:
    colours = asdict(DARK)
    turned = {role: contrast.turned_on_paper(colour) for role, colour in colours.items()}
    assert contrast.luminance(turned["paper"]) > 0.75  # light
    drawn = ("ink", "soft", "edge", "accent", "boil", "lit", "warming", "weak", "unlit", "unheard", "intensity",
             "flow")
    poor = {role: round(found, 2) for role in drawn
            if (found := contrast.ratio(turned[role], turned["paper"])) < contrast.MARKS}
    assert poor == {}


def test_every_role_is_judged_and_no_two_of_the_light_mode_share_a_colour() -> None:
    judged = {one for pair in (*TEXT, *MARKS) for one in pair} | set(DECORATION)
    assert judged == set(asdict(LIGHT))
    assert len(set(asdict(LIGHT).values())) == len(asdict(LIGHT))  # else one would have two counterparts


def test_what_the_style_uses_is_judged_as_what_it_is_used_for() -> None:
    rules = re.findall(r"([a-z-]+):([^;{}]*var\(--[^;{}]*)", STYLE)
    inks, papers = {one for one, _ in TEXT}, {one for _, one in TEXT}
    seen = {one for one, _ in MARKS}
    assert len(rules) > 60
    wrong = []
    for kind, value in rules:
        for name in re.findall(r"var\(--([a-z-]+)\)", value):
            role = name.replace("-", "_")
            fine = inks if kind == "color" else papers | seen | set(DECORATION)
            if role not in fine:
                wrong.append((kind, role))
    assert wrong == []


def test_no_colour_stands_outside_of_the_one_file() -> None:
    """Sheets are paper: black on white, with colours of their own."""
    found = {
        str(path.relative_to(DASHBOARD)): HEX.findall(path.read_text(encoding="utf-8"))
        for path in (*DASHBOARD.rglob("*.py"), DASHBOARD / "style.css")
        if path.name != "colours.py" and path.parent.name != "sheets"}
    assert {name: one for name, one in found.items() if one} == {}


def test_a_dark_counterpart_keeps_its_share_and_a_stray_colour_is_refused() -> None:
    assert counterpart(LIGHT.boil) == DARK.boil
    assert counterpart(veil(LIGHT.accent, 0.18)) == veil(DARK.accent, 0.18)
    assert veil("#102030", 0.5) == "rgba(16,32,48,0.5)"
    with pytest.raises(ValueError, match="#e5ecf6"):
        counterpart("#e5ecf6")


def test_streamlits_own_parts_get_the_same() -> None:
    options = theme_options()
    assert f"--theme.light.backgroundColor={LIGHT.paper}" in options
    assert f"--theme.dark.textColor={DARK.ink}" in options
    assert not any(option.startswith("--theme.base") for option in options)  # which would hold one mode for all


def test_modes_are_what_their_names_say() -> None:
    def on(colours: Colours) -> tuple[float, float]:
        return tuple(contrast.luminance(contrast.channels(one)) for one in (colours.paper, colours.ink))  # type: ignore

    assert on(LIGHT)[0] > 0.9 > 0.1 > on(LIGHT)[1] and on(DARK)[0] < 0.1 < 0.7 < on(DARK)[1]
