"""What a margin's picture shows, in words: for who cannot see it, and on hover."""

from __future__ import annotations

from collections.abc import Mapping
from datetime import timedelta, tzinfo

import numpy as np

from dashboard.text.measures import Units, between, duration, local
from models.margin import Margins, Stretch

STRETCH_WORDS: Mapping[Stretch, str] = {
    Stretch.DARK: "dark", Stretch.COLD: "cold (warming up)", Stretch.UNHEARD: "not heard",
    Stretch.UNKNOWN: "dose not known"}
NOTHING = "nothing heard in this time"
MARGIN_HEADERS = ("From", "To", "What it was")
MOST_ROWS = 30  # of a picture as a table


def margin_words(margins: Margins, units: Units) -> str:
    """The time shown in one clause."""
    if not margins.heard:
        return NOTHING
    return "; ".join((least_words(margins), *_parts(margins, units)))


def least_words(margins: Margins) -> str:
    """The least margin."""
    known = margins.margin_mj_cm2[~np.isnan(margins.margin_mj_cm2)]
    if not known.size:
        return "margin not known"
    least = float(np.floor(known.min() * 10) / 10)  # never rounded up
    return f"least margin {least:+.1f} mJ/cm²" if least >= 0 else f"at worst {-least:.1f} mJ/cm² below target"


def _parts(margins: Margins, units: Units) -> list[str]:
    out = [
        f"{STRETCH_WORDS[kind]} {duration(timedelta(seconds=seconds))}"
        for kind in (Stretch.DARK, Stretch.COLD, Stretch.UNHEARD, Stretch.UNKNOWN)
        if (seconds := margins.seconds(kind)) >= 1]
    least, most = float(np.nansum(margins.underdosed_l)), float(np.sum(margins.underdosed_l_upper))
    if np.isnan(most) or most > 0:
        out.append(f"{between(least, most if np.isfinite(most) else None, units)} under target")
    return out


def margin_csv(margins: Margins) -> str:
    """The same as figures: a row a slot, times in UTC; an empty cell is not known."""
    names = ("from", "to", "margin_mj_cm2", "target_mj_cm2", *(f"{kind}_s" for kind in Stretch), "underdosed_l",
             "underdosed_l_upper")
    lines = [",".join(names)]
    for slot in range(margins.slots):
        begin, end = margins.start(slot), min(margins.start(slot + 1), margins.until)
        cells = [
            margins.margin_mj_cm2[slot], margins.target_mj_cm2[slot],
            *(margins.share[kind][slot] * (end - begin).total_seconds() for kind in Stretch),
            margins.underdosed_l[slot], margins.underdosed_l_upper[slot]]
        lines.append(",".join((
            f"{begin:%Y-%m-%dT%H:%M:%SZ}", f"{end:%Y-%m-%dT%H:%M:%SZ}",
            *("" if np.isnan(one) else f"{one:.6g}" for one in cells))))
    return "\r\n".join(lines) + "\r\n"


def margin_rows(margins: Margins, zone: tzinfo, units: Units) -> list[tuple[str, str, str]]:
    """The picture as rows with `MARGIN_HEADERS`, newest first, in parts of one length, by the cabin's clock."""
    step = max(1, -(-margins.slots // MOST_ROWS))
    parts = [slice(first, min(first + step, margins.slots)) for first in range(0, margins.slots, step)]
    return [
        (local(margins.start(part.start), zone), local(min(margins.start(part.stop), margins.until), zone),
         slot_words(margins, part, units)) for part in reversed(parts)]


def slot_words(margins: Margins, slots: slice, units: Units) -> str:
    """A part of the time in one clause."""
    part = Margins(
        since=margins.start(slots.start), until=min(margins.start(min(slots.stop, margins.slots)), margins.until),
        slot_s=margins.slot_s, margin_mj_cm2=margins.margin_mj_cm2[slots],
        target_mj_cm2=margins.target_mj_cm2[slots],
        share={kind: one[slots] for kind, one in margins.share.items()}, underdosed_l=margins.underdosed_l[slots],
        underdosed_l_upper=margins.underdosed_l_upper[slots])
    return margin_words(part, units)
