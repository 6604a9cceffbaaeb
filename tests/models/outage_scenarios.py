"""Power cuts and other troubles as data: what a logger sent, and the intervals and litres worked out by hand.

The unit of every scenario, unless it says otherwise: a reading each 60 s, so two lit ends cover 90 s; warm-up 120
s; alarm at 29 W/m2 (5 % of it, 1.45 W/m2, is darkness); target 40 mJ/cm2; peak flow 28 L/min; a pressure tank that
gives 25 L with the pump dead; a total that its meter keeps. Intervals: kind, cause, start, end, drawn, drawn at
most, under-dosed at least and at most; None is "unknown".

Between two readings flow lies between those of both ends: drawn is the flow at the first x minutes, at most the
larger x minutes, and at least the smaller one. "3..6 x 2" in a comment is two minutes of at least 3 and at most
6 L/min. A lamp that burns at one end only was dark from the last lit reading to the next one, at least for no time
at all, so at least 0 L of that minute were under-dosed. In the warm-up an intensity that has changed gives the
dose. Of two totals, one step of what they are read out in (10 L where both are whole tens, 1 L where whole) is
added where suspected time borders on time that is not.

Times are UTC on 2026-06-15 unless they are written out.
"""

from __future__ import annotations

from dataclasses import dataclass, field
from datetime import datetime, timedelta

DAY = "2026-06-15"
Row = dict[str, object]
Interval = tuple[
    str, str, str, str, float | None, float | None, float | None, float | None
]


def instant(text: str) -> datetime:
    """'10:00', '10:00:30' or a whole ISO instant with its offset."""
    return datetime.fromisoformat(text if "T" in text else f"{DAY}T{text}+00:00")


def row(at: str | datetime, **values: object) -> Row:
    """One reading. I intensity, Q flow, T total, H lamp hours, D dose's lower bound, DP the same at peak flow."""
    return {"at": instant(at) if isinstance(at, str) else at, **values}


def one(at: str, **values: object) -> list[Row]:
    """A single reading, as a list to add to others."""
    return [row(at, **values)]


def every(since: str, until: str, *, step_s: float = 60.0, **values: object) -> list[Row]:
    """The same reading again and again, `until` excluded."""
    at, end, rows = instant(since), instant(until), []
    while at < end:
        rows.append(row(at, **values))
        at += timedelta(seconds=step_s)
    return rows


WELL: Row = {"I": 41.0, "Q": 0.0, "lamp": True, "power": True}
OUT: Row = {"I": 0.0, "Q": 0.0, "lamp": False, "power": False}


def well(since: str, until: str, **values: object) -> list[Row]:
    """Lit, power on, no water drawn."""
    return every(since, until, **{**WELL, **values})


def out(since: str, until: str, **values: object) -> list[Row]:
    """Lamp and power off, no water drawn, the logger on its own battery."""
    return every(since, until, **{**OUT, **values})


@dataclass(frozen=True)
class Scenario:
    """What arrived, message by message, and what it must come to."""

    name: str
    messages: list[list[Row]]
    expected: list[Interval]
    unit: dict[str, object] = field(default_factory=dict)
    links: list[tuple[str, bool]] = field(default_factory=list)


def ticking(since: str, until: str, *, start_h: float = 5000.0, **values: object) -> list[Row]:
    """Readings a minute apart whose lamp counter, read out to a few seconds, advances by all of it."""
    rows = every(since, until, **values)
    return [{**one_row, "H": round(start_h + n / 60, 4)} for n, one_row in enumerate(rows)]


# A counter that has moved at each of three readings, of 5000, 5000.0167 and 5000.0333 h: it is read out in no usual
# step, so in 2 s. It stands at 5000.0333 h at 10:09, and at 5001.8833 after the 1.85 h to 12:00.
COUNTED = well("10:00", "10:07") + ticking("10:07", "10:10", **WELL, DP=45.0)
# Weak light: its dose is short at any flow.
DIM: Row = {**WELL, "I": 20.0, "D": 25.0}


SCENARIOS = [
    Scenario(
        "cut with no draw",  # 10:09 was the last lit reading, 10:40 the first again
        [well("10:00", "10:10") + out("10:10", "10:40") + well("10:40", "10:51")],
        [
            ("lit", "none", "10:00", "10:09", 0, 0, 0, 0),
            ("dark", "no-power", "10:09", "10:40", 0, 0, 0, 0),
            ("warming", "none", "10:40", "10:42", 0, 0, 0, 0),
            ("lit", "none", "10:42", "10:50", 0, 0, 0, 0),
        ],
    ),
    Scenario(
        # 0..8, 6..8, 4..6, 0..4: drawn 0 + 8 + 6 + 4, most 8 + 8 + 6 + 4, least 0 + 6 + 4 + 0
        "draw from drawdown only, metered",
        [
            well("10:00", "10:10") + out("10:10", "10:15") + out("10:15", "10:16", Q=8.0)
            + out("10:16", "10:17", Q=6.0) + out("10:17", "10:18", Q=4.0) + out("10:18", "10:40")
            + well("10:40", "10:44")
        ],
        [
            ("lit", "none", "10:00", "10:09", 0, 0, 0, 0),
            ("dark", "no-power", "10:09", "10:40", 18, 26, 10, 26),
            ("warming", "none", "10:40", "10:42", 0, 0, 0, 0),
            ("lit", "none", "10:42", "10:43", 0, 0, 0, 0),
        ],
    ),
    Scenario(
        "gravity supply flows on in the dark",  # five readings of 10 L/min: 0..10, 10 x 4, 0..10
        [
            well("10:00", "10:10") + out("10:10", "10:20") + out("10:20", "10:25", Q=10.0) + out("10:25", "10:31")
        ],
        [
            ("lit", "none", "10:00", "10:09", 0, 0, 0, 0),
            ("dark", "no-power", "10:09", "10:30", 50, 60, 40, 60),
        ],
        unit={"gravity_fed": True},
    ),
    Scenario(
        "link lost, no totals: the most that can have flowed",  # 10:09 to 12:00 is 111 min x 28 L/min
        [well("10:00", "10:10") + well("12:00", "12:03")],
        [
            ("lit", "none", "10:00", "10:09", 0, 0, 0, 0),
            ("unheard", "no-link", "10:09", "12:00", None, 3108, None, 3108),
            ("lit", "none", "12:00", "12:02", 0, 0, 0, 0),
        ],
        links=[("10:09:30", False), ("11:59:50", True)],
    ),
    Scenario(
        # dark: 0..5, 5, 0..5 about 10:40, and 0..5 in the minute before 11:00: drawn 0 + 5 + 5 + 0, least 5,
        # most 20; warming 0..5 x 2, drawn 5, all of it measured light; then 0..5, drawn 5
        "cut during a link loss, told by the backlog two days late",
        [
            well("10:00", "10:10") + well("2026-06-17T10:00+00:00", "2026-06-17T10:02+00:00"),
            well("10:10", "10:30") + out("10:30", "10:40") + out("10:40", "10:42", Q=5.0) + out("10:42", "11:00")
            + well("11:00", "11:01", Q=5.0) + well("11:01", "11:02") + well("11:02", "11:03", Q=5.0)
            + well("11:03", "2026-06-17T10:00+00:00", step_s=90),
        ],
        [
            ("lit", "none", "10:00", "10:29", 0, 0, 0, 0),
            ("dark", "no-power", "10:29", "11:00", 10, 20, 5, 20),
            ("warming", "none", "11:00", "11:02", 5, 10, 0, 0),
            ("lit", "none", "11:02", "2026-06-17T10:01+00:00", 5, 5, 0, 0),
        ],
        links=[("10:09:30", False), ("2026-06-17T09:59:50+00:00", True)],
    ),
    Scenario(
        "logger dead, total across the gap",  # 1123 - 1003; whole litres, so at most 1 L more
        [well("10:00", "10:10", T=1003.0) + well("12:00", "12:03", T=1123.0)],
        [
            ("lit", "none", "10:00", "10:09", 0, 0, 0, 0),
            ("unheard", "unknown", "10:09", "12:00", 120, 121, None, 121),
            ("lit", "none", "12:00", "12:02", 0, 0, 0, 0),
        ],
    ),
    Scenario(
        "the same, read out in tens",  # 1120 - 1000, at most 10 L more
        [well("10:00", "10:10", T=1000.0) + well("12:00", "12:03", T=1120.0)],
        [
            ("lit", "none", "10:00", "10:09", 0, 0, 0, 0),
            ("unheard", "unknown", "10:09", "12:00", 120, 130, None, 130),
            ("lit", "none", "12:00", "12:02", 0, 0, 0, 0),
        ],
    ),
    Scenario(
        # it counted none of what passed in its silence, in which 111 min x 28 L/min can have been delivered
        "the same, by pulses that the logger counts itself",
        [well("10:00", "10:10", T=1003.0) + well("12:00", "12:03", T=1123.0)],
        [
            ("lit", "none", "10:00", "10:09", 0, 0, 0, 0),
            ("unheard", "unknown", "10:09", "12:00", None, 3108, None, 3108),
            ("lit", "none", "12:00", "12:02", 0, 0, 0, 0),
        ],
        unit={"total": "pulse"},
    ),
    Scenario(
        "a total of nobody knows which kind counts as the weaker, though it stands",  # 111 min x 28 L/min
        [well("10:00", "10:10", T=1003.0) + well("12:00", "12:03", T=1003.0)],
        [
            ("lit", "none", "10:00", "10:09", 0, 0, 0, 0),
            ("unheard", "unknown", "10:09", "12:00", None, 3108, None, 3108),
            ("lit", "none", "12:00", "12:02", 0, 0, 0, 0),
        ],
        unit={"total": None},
    ),
    Scenario(
        "link up, nothing said: it is the logger",
        [well("10:00", "10:10", T=1003.0) + well("12:00", "12:03", T=1003.0)],
        [
            ("lit", "none", "10:00", "10:09", 0, 0, 0, 0),
            ("unheard", "no-logger", "10:09", "12:00", 0, 0, 0, 0),  # the meter stood still
            ("lit", "none", "12:00", "12:02", 0, 0, 0, 0),
        ],
        links=[("08:00", True)],
    ),
    Scenario(
        "a total in tens that stands can hide most of a step",
        [well("10:00", "10:10", T=1000.0) + well("12:00", "12:03", T=1000.0)],
        [
            ("lit", "none", "10:00", "10:09", 0, 0, 0, 0),
            ("unheard", "unknown", "10:09", "12:00", 0, 10, None, 10),
            ("lit", "none", "12:00", "12:02", 0, 0, 0, 0),
        ],
    ),
    Scenario(
        "tap open when the logger died",  # the reading of 10:09 speaks of nothing after it: 120 + 1, as without it
        [well("10:00", "10:09", T=1003.0) + one("10:09", **{**WELL, "Q": 10.0}, T=1003.0)
         + well("12:00", "12:03", T=1123.0)],
        [
            ("lit", "none", "10:00", "10:09", 0, 0, 0, 0),
            ("unheard", "unknown", "10:09", "12:00", 120, 121, None, 121),
            ("lit", "none", "12:00", "12:02", 0, 0, 0, 0),
        ],
    ),
    Scenario(
        "the total denies that the last flow went on",  # 12 + 1 L in 111 min, whatever 10:09 read
        [well("10:00", "10:09", T=1000.0) + one("10:09", **{**WELL, "Q": 10.0}, T=1000.0)
         + well("12:00", "12:03", T=1012.0)],
        [
            ("lit", "none", "10:00", "10:09", 0, 0, 0, 0),
            ("unheard", "unknown", "10:09", "12:00", 12, 13, None, 13),
            ("lit", "none", "12:00", "12:02", 0, 0, 0, 0),
        ],
    ),
    Scenario(
        # 50 + 1 L at most, shared by what each can hold: 111 min x 28 = 3108 and 0.5 x 28 = 14, so 51 x 3108 / 3122
        # and 51 x 14 / 3122; the lamp's start is not known, 30 W/m2 proves it
        "total heard half a minute after the gap",
        [well("10:00", "10:10", T=1003.0)
         + one("12:00", lamp=True, power=True) + one("12:00:30", I=30.0, Q=0.0, T=1053.0) + one("12:01", I=30.0)],
        [
            ("lit", "none", "10:00", "10:09", 0, 0, 0, 0),
            ("unheard", "unknown", "10:09", "12:00", 50, 51 * 3108 / 3122, None, 51 * 3108 / 3122),
            ("warming", "none", "12:00", "12:00:30", 0, 51 * 14 / 3122, 0, 51 * 14 / 3122),
            ("lit", "none", "12:00:30", "12:01", 0, 0, 0, 0),
        ],
    ),
    Scenario(
        "two cuts in a row",  # 0..3, 3, 0..3: drawn 6, least 3, most 9; then 0..4 x 2: drawn 4, least 0, most 8
        [
            well("10:00", "10:10") + out("10:10", "10:12", Q=3.0) + out("10:12", "10:20") + well("10:20", "10:30")
            + out("10:30", "10:31", Q=4.0) + out("10:31", "10:35") + well("10:35", "10:41")
        ],
        [
            ("lit", "none", "10:00", "10:09", 0, 0, 0, 0),
            ("dark", "no-power", "10:09", "10:20", 6, 9, 3, 9),
            ("warming", "none", "10:20", "10:22", 0, 0, 0, 0),
            ("lit", "none", "10:22", "10:29", 0, 0, 0, 0),
            ("dark", "no-power", "10:29", "10:35", 4, 8, 0, 8),
            ("warming", "none", "10:35", "10:37", 0, 0, 0, 0),
            ("lit", "none", "10:37", "10:40", 0, 0, 0, 0),
        ],
    ),
    Scenario(
        # weak readings of 6 L/min at 10:20 and 10:21: 0..6 dark before, 6 warming between, 0..6 dark after
        "second cut while still warming up starts the warm-up again",
        [
            well("10:00", "10:10") + out("10:10", "10:20") + every("10:20", "10:22", **{**DIM, "Q": 6.0})
            + out("10:22", "10:25") + well("10:25", "10:29")
        ],
        [
            ("lit", "none", "10:00", "10:09", 0, 0, 0, 0),
            ("dark", "no-power", "10:09", "10:20", 0, 6, 0, 6),
            ("warming", "none", "10:20", "10:21", 6, 6, 6, 6),
            ("dark", "no-power", "10:21", "10:25", 6, 6, 0, 6),
            ("warming", "none", "10:25", "10:27", 0, 0, 0, 0),
            ("lit", "none", "10:27", "10:28", 0, 0, 0, 0),
        ],
    ),
    Scenario(
        "one lit reading between two dark ones: nobody saw it burn for any time",  # 0..6 x 2
        [
            well("10:00", "10:10") + out("10:10", "10:20") + well("10:20", "10:21", Q=6.0) + out("10:21", "10:25")
        ],
        [
            ("lit", "none", "10:00", "10:09", 0, 0, 0, 0),
            ("dark", "no-power", "10:09", "10:24", 6, 12, 0, 12),
        ],
    ),
    Scenario(
        "lamp failure with power on",  # five readings of 6 L/min: 0..6, 6 x 4, 0..6
        [well("10:00", "10:10") + out("10:10", "10:15", power=True, Q=6.0) + out("10:15", "10:21", power=True)],
        [
            ("lit", "none", "10:00", "10:09", 0, 0, 0, 0),
            ("dark", "no-lamp", "10:09", "10:20", 30, 36, 24, 36),
        ],
    ),
    Scenario(
        "warm-up draw, with light measured enough for it",  # 0..9 dark before 10:20; 9 x 2 warming; 0..9 lit
        [well("10:00", "10:10") + out("10:10", "10:20") + well("10:20", "10:23", Q=9.0) + well("10:23", "10:26")],
        [
            ("lit", "none", "10:00", "10:09", 0, 0, 0, 0),
            ("dark", "no-power", "10:09", "10:20", 0, 9, 0, 9),
            ("warming", "none", "10:20", "10:22", 18, 18, 0, 0),
            ("lit", "none", "10:22", "10:25", 9, 9, 0, 0),
        ],
    ),
    Scenario(
        # the lamp can have come on just after 10:19 and be warm at 10:21: 9 L for certain, 18 at most
        "warm-up draw, nobody measures light",
        [every("10:10", "10:20", lamp=False, power=False, Q=0.0)
         + every("10:20", "10:24", Q=9.0, lamp=True, power=True) + well("10:24", "10:26", Q=9.0)],
        [
            ("dark", "no-power", "10:10", "10:20", 0, 9, 0, 9),
            ("warming", "none", "10:20", "10:22", 18, 18, 9, 18),
            ("weak", "none", "10:22", "10:24", 18, 18, 0, 18),  # lit, but what dose nobody knows until 10:24
            ("lit", "none", "10:24", "10:25", 9, 9, 0, 0),
        ],
    ),
    Scenario(
        # an event names the moment. The flow at it is the worse of 0 and 10 around it: dark 0..10 x 0.5; before the
        # first light is read at 10:41 at most 5 L (the water may have begun then), and 10 + 5 after; 5 L lit
        "warm-up ends between two readings",
        [
            well("10:00", "10:10") + out("10:10", "10:41") + one("10:40:30", lamp=True, power=True)
            + well("10:41", "10:43", Q=10.0) + well("10:43", "10:45")
        ],
        [
            ("lit", "none", "10:00", "10:09", 0, 0, 0, 0),
            ("dark", "no-power", "10:09", "10:40:30", 0, 5, 0, 5),
            ("warming", "none", "10:40:30", "10:42:30", 20, 20, 0, 5),
            ("lit", "none", "10:42:30", "10:44", 5, 5, 0, 0),
        ],
    ),
    Scenario(
        # 00:00 -04:00 to 03:00 -05:00 is 4 h: 240 readings of 0.5 L/min, 0..0.5, 0.5 x 239, 0..0.5
        "cut from midnight, the night the clocks go back",
        [
            well("2026-11-01T03:50+00:00", "2026-11-01T00:00-04:00")
            + out("2026-11-01T00:00-04:00", "2026-11-01T03:00-05:00", Q=0.5)
            + well("2026-11-01T08:00+00:00", "2026-11-01T08:04+00:00")
        ],
        [
            ("lit", "none", "2026-11-01T03:50+00:00", "2026-11-01T03:59+00:00", 0, 0, 0, 0),
            ("dark", "no-power", "2026-11-01T03:59+00:00", "2026-11-01T08:00+00:00", 120, 120.5, 119.5, 120.5),
            ("warming", "none", "2026-11-01T08:00+00:00", "2026-11-01T08:02+00:00", 0, 0, 0, 0),
            ("lit", "none", "2026-11-01T08:02+00:00", "2026-11-01T08:03+00:00", 0, 0, 0, 0),
        ],
    ),
    Scenario(
        # 00:00 -05:00 to 04:00 -04:00 is 3 h: 180 readings of 0.5 L/min, 0..0.5, 0.5 x 179, 0..0.5
        "cut from midnight, the night the clocks go forward",
        [
            well("2026-03-08T04:50+00:00", "2026-03-08T00:00-05:00")
            + out("2026-03-08T00:00-05:00", "2026-03-08T04:00-04:00", Q=0.5)
            + well("2026-03-08T08:00+00:00", "2026-03-08T08:02+00:00")
        ],
        [
            ("lit", "none", "2026-03-08T04:50+00:00", "2026-03-08T04:59+00:00", 0, 0, 0, 0),
            ("dark", "no-power", "2026-03-08T04:59+00:00", "2026-03-08T08:00+00:00", 90, 90.5, 89.5, 90.5),
            ("warming", "none", "2026-03-08T08:00+00:00", "2026-03-08T08:01+00:00", 0, 0, 0, 0),
        ],
    ),
    Scenario(
        "every message twice",  # 0..7, 7, 0..7
        [well("10:00", "10:05"), out("10:05", "10:07", Q=7.0), well("10:00", "10:05"), out("10:05", "10:07", Q=7.0),
         out("10:07", "10:09"), out("10:07", "10:09")],
        [
            ("lit", "none", "10:00", "10:04", 0, 0, 0, 0),
            ("dark", "no-power", "10:04", "10:08", 14, 21, 7, 21),
        ],
    ),
    Scenario(
        "messages out of order",
        [out("10:07", "10:09"), out("10:05", "10:07", Q=7.0), well("10:00", "10:05")[::-1]],
        [
            ("lit", "none", "10:00", "10:04", 0, 0, 0, 0),
            ("dark", "no-power", "10:04", "10:08", 14, 21, 7, 21),
        ],
    ),
    Scenario(
        # to 10:02 the total says 0; then it falls, and 0..5 x 1 min by flow is left
        "meter reset while heard: flow x time stands in",
        [out("10:00", "10:02", T=1000.3) + out("10:02", "10:03", T=1000.3, Q=5.0) + out("10:03", "10:05", T=2.1)],
        [("dark", "no-power", "10:00", "10:04", 5, 5, 0, 5)],
    ),
    Scenario(
        "meter reset in a gap: unknown",  # 10:09 to 11:12 is 63 min x 28 L/min
        [well("10:00", "10:10", T=1000.0) + well("11:12", "11:14", T=3.0)],
        [
            ("lit", "none", "10:00", "10:09", 0, 0, 0, 0),
            ("unheard", "unknown", "10:09", "11:12", None, 1764, None, 1764),
            ("lit", "none", "11:12", "11:13", 0, 0, 0, 0),
        ],
    ),
    Scenario(
        "lamp said on, intensity zero",  # three readings of 7 L/min: 0..7, 7 x 2, 0..7; then it has to warm up
        [well("10:00", "10:10") + well("10:10", "10:13", I=0.0, Q=7.0) + well("10:13", "10:17")],
        [
            ("lit", "none", "10:00", "10:09", 0, 0, 0, 0),
            ("dark", "no-lamp", "10:09", "10:13", 21, 28, 14, 28),
            ("warming", "none", "10:13", "10:15", 0, 0, 0, 0),
            ("lit", "none", "10:15", "10:16", 0, 0, 0, 0),
        ],
    ),
    Scenario(
        "lamp said off, intensity high",  # four readings of 2 L/min: 0..2, 2 x 3, 0..2
        [well("10:00", "10:10") + well("10:10", "10:14", lamp=False, Q=2.0) + well("10:14", "10:16", lamp=False)],
        [
            ("lit", "none", "10:00", "10:09", 0, 0, 0, 0),
            ("dark", "no-lamp", "10:09", "10:15", 8, 10, 6, 10),
        ],
    ),
    Scenario(
        "low intensity in the first seconds is a lamp warming up, not a failed one",
        [out("10:00", "10:10") + well("10:10", "10:11", I=0.0) + well("10:11", "10:14")],
        [
            ("dark", "no-power", "10:00", "10:10", 0, 0, 0, 0),
            ("warming", "none", "10:10", "10:12", 0, 0, 0, 0),
            ("lit", "none", "10:12", "10:13", 0, 0, 0, 0),
        ],
    ),
    Scenario(
        "no lamp status and no intensity: nobody can call it lit",  # 5 x 1, then 0..5
        [every("10:00", "10:02", Q=5.0, power=True) + every("10:02", "10:05", Q=0.0, power=True)],
        [("unheard", "unknown", "10:00", "10:04", 10, 10, None, 10)],
    ),
    Scenario(
        # the tank's 25 L, and a warm-up of 2 min x 28 L/min once the power was back; the lamp burned from then on,
        # and with it the pump: 230 min x 28 L/min can have been drawn in all
        "logger and power gone, pressure tank bounds what was under-dosed",
        [well("10:00", "10:10") + out("10:10", "10:11") + well("14:00", "14:02")],
        [
            ("lit", "none", "10:00", "10:09", 0, 0, 0, 0),
            ("dark", "no-power", "10:09", "10:10", 0, 0, 0, 0),
            ("unheard", "no-power", "10:10", "14:00", None, 6440, None, 81),
            ("lit", "none", "14:00", "14:01", 0, 0, 0, 0),
        ],
    ),
    Scenario(
        "the same, and the power still out after it: the tank alone",
        [well("10:00", "10:10") + out("10:10", "10:11") + out("14:00", "14:02")],
        [
            ("lit", "none", "10:00", "10:09", 0, 0, 0, 0),
            ("dark", "no-power", "10:09", "10:10", 0, 0, 0, 0),
            ("unheard", "no-power", "10:10", "14:00", None, 25, None, 25),
            ("dark", "no-power", "14:00", "14:01", 0, 0, 0, 0),
        ],
    ),
    Scenario(
        "the same, power back and the lamp dark: the pump ran past it",  # 230 min x 28 L/min
        [well("10:00", "10:10") + out("10:10", "10:11") + out("14:00", "14:02", power=True)],
        [
            ("lit", "none", "10:00", "10:09", 0, 0, 0, 0),
            ("dark", "no-power", "10:09", "10:10", 0, 0, 0, 0),
            ("unheard", "no-power", "10:10", "14:00", None, 6440, None, 6440),
            ("dark", "no-lamp", "14:00", "14:01", 0, 0, 0, 0),
        ],
    ),
    Scenario(
        "the same on a gravity supply",  # 230 min x 28 L/min
        [well("10:00", "10:10") + out("10:10", "10:11") + well("14:00", "14:02")],
        [
            ("lit", "none", "10:00", "10:09", 0, 0, 0, 0),
            ("dark", "no-power", "10:09", "10:10", 0, 0, 0, 0),
            ("unheard", "no-power", "10:10", "14:00", None, 6440, None, 6440),
            ("lit", "none", "14:00", "14:01", 0, 0, 0, 0),
        ],
        unit={"gravity_fed": True},
    ),
    Scenario(
        "the same where nobody stated a drawdown",
        [well("10:00", "10:10") + out("10:10", "10:11") + well("14:00", "14:02")],
        [
            ("lit", "none", "10:00", "10:09", 0, 0, 0, 0),
            ("dark", "no-power", "10:09", "10:10", 0, 0, 0, 0),
            ("unheard", "no-power", "10:10", "14:00", None, 6440, None, 6440),
            ("lit", "none", "14:00", "14:01", 0, 0, 0, 0),
        ],
        unit={"drawdown_l": 0.0},
    ),
    Scenario(
        "cut without a flow meter: the tank's volume once, not once per reading",
        [well("10:00", "10:05") + every("10:05", "10:25", I=0.0, lamp=False, power=False)],
        [
            ("lit", "none", "10:00", "10:04", 0, 0, 0, 0),
            # the flow of 10:04, 0, still speaks at 10:05; at 10:06 it is older than 90 s and unknown
            ("dark", "no-power", "10:04", "10:24", None, 25, 0, 25),
        ],
    ),
    Scenario(
        # it shows 1.85 h for 111 min, to 2 s: lit throughout. What was drawn nobody knows; peak flow would have got
        # its dose on both sides
        "lamp's counter advanced by the whole gap, dose at peak good on both sides",
        [COUNTED + one("12:00", **WELL, H=5001.8833, DP=45.0) + one("12:01", **WELL)],
        [("lit", "none", "10:00", "12:01", None, 3108, 0, 0)],
    ),
    Scenario(
        "the same, dose at peak under target after it",  # 111 min x 28 L/min
        [COUNTED + one("12:00", **WELL, H=5001.8833, DP=39.0) + one("12:01", **WELL)],
        [
            ("lit", "none", "10:00", "10:09", 0, 0, 0, 0),
            ("weak", "none", "10:09", "12:00", None, 3108, 0, 3108),
            ("lit", "none", "12:00", "12:01", 0, 0, 0, 0),
        ],
    ),
    Scenario(
        "the same, dose at peak under target before it",
        [COUNTED[:-1] + one("10:09", **WELL, H=5000.0333, DP=39.0) + one("12:00", **WELL, H=5001.8833, DP=45.0)
         + one("12:01", **WELL)],
        [
            ("lit", "none", "10:00", "10:09", 0, 0, 0, 0),
            ("weak", "none", "10:09", "12:00", None, 3108, 0, 3108),
            ("lit", "none", "12:00", "12:01", 0, 0, 0, 0),
        ],
    ),
    Scenario(
        # 1003 to 1043 by the meter: 40 L, at most 1 more, which it does not show
        "the same, and a meter that shows how much",
        [[{**reading, "T": 1003.0} for reading in COUNTED] + one("12:00", **WELL, T=1043.0, H=5001.8833, DP=39.0)
         + one("12:01", **WELL, T=1043.0)],
        [
            ("lit", "none", "10:00", "10:09", 0, 0, 0, 0),
            ("weak", "none", "10:09", "12:00", 40, 41, 0, 41),
            ("lit", "none", "12:00", "12:01", 0, 0, 0, 0),
        ],
    ),
    Scenario(
        "a meter that stood shows that nothing passed, whatever the dose at peak",
        [[{**reading, "T": 1003.0} for reading in COUNTED] + one("12:00", **WELL, T=1003.0, H=5001.8833, DP=39.0)
         + one("12:01", **WELL, T=1003.0)],
        [("lit", "none", "10:00", "12:01", 0, 0, 0, 0)],
    ),
    Scenario(
        "pulses that the logger counts itself do not",  # 111 min x 28 L/min, of which the total saw none
        [[{**reading, "T": 1003.0} for reading in COUNTED] + one("12:00", **WELL, T=1003.0, H=5001.8833, DP=39.0)
         + one("12:01", **WELL, T=1003.0)],
        [
            ("lit", "none", "10:00", "10:09", 0, 0, 0, 0),
            ("weak", "none", "10:09", "12:00", None, 3108, 0, 3108),
            ("lit", "none", "12:00", "12:01", 0, 0, 0, 0),
        ],
        unit={"total": "pulse"},
    ),
    Scenario(
        # 14 s short of 111 min: these and 2 of resolution leave 16 / 60 x 28 = 7.5 L open, so the silence stays
        "the counter a quarter of a minute short of the gap",
        [COUNTED + one("12:00", **WELL, H=5001.8794, DP=45.0) + one("12:01", **WELL)],
        [
            ("lit", "none", "10:00", "10:09", 0, 0, 0, 0),
            ("unheard", "unknown", "10:09", "12:00", None, 3108, None, 3108),
            ("lit", "none", "12:00", "12:01", 0, 0, 0, 0),
        ],
    ),
    Scenario(
        "the same where a meter stood: less than a litre can have passed",
        [[{**reading, "T": 1003.2} for reading in COUNTED] + one("12:00", **WELL, T=1003.2, H=5001.8794, DP=45.0)
         + one("12:01", **WELL, T=1003.2)],
        [("lit", "none", "10:00", "12:01", 0, 0, 0, 0)],
    ),
    Scenario(
        "the same by pulses that the logger counts itself, which were none while it was off",  # 111 x 28
        [[{**reading, "T": 1003.2} for reading in COUNTED] + one("12:00", **WELL, T=1003.2, H=5001.8794, DP=45.0)
         + one("12:01", **WELL, T=1003.2)],
        [
            ("lit", "none", "10:00", "10:09", 0, 0, 0, 0),
            ("unheard", "unknown", "10:09", "12:00", None, 3108, None, 3108),
            ("lit", "none", "12:00", "12:01", 0, 0, 0, 0),
        ],
        unit={"total": "pulse"},
    ),
    Scenario(
        # of 3 min it shows one lit, and the meter 30 L, at most 0.1 more
        "two readings missing, two of the three minutes unlit by the counter",
        [[{**reading, "T": 1003.3} for reading in COUNTED] + one("10:12", **WELL, T=1033.3, H=5000.05, DP=45.0)
         + one("10:13", **WELL, T=1033.3)],
        [
            ("lit", "none", "10:00", "10:09", 0, 0, 0, 0),
            ("unheard", "unknown", "10:09", "10:12", 30, 30.1, None, 30.1),
            ("lit", "none", "10:12", "10:13", 0, 0, 0, 0),
        ],
    ),
    Scenario(
        # 24 s of the minute by the counter, so 36 dark, and both its ends are lit; 12 L by the meter, or 0.1 more
        "a lamp that dies in the minute of a shower",
        [[{**reading, "T": 1003.3} for reading in COUNTED] + one("10:10", **WELL, T=1015.3, H=5000.04, DP=45.0)
         + one("10:11", **WELL, T=1015.3, H=5000.0567)],
        [
            ("lit", "none", "10:00", "10:09", 0, 0, 0, 0),
            ("dark", "no-lamp", "10:09", "10:10", 12, 12.1, 0, 12.1),
            ("lit", "none", "10:10", "10:11", 0, 0, 0, 0),
        ],
    ),
    Scenario(
        "a counter in whole hours proves nothing here",  # it shows 2 h for 1.85 h: between 1 and 3 were burned
        [well("10:00", "10:09") + one("10:09", **WELL, H=5000.0, DP=45.0)
         + one("12:00", **WELL, H=5002.0, DP=45.0) + one("12:01", **WELL)],
        [
            ("lit", "none", "10:00", "10:09", 0, 0, 0, 0),
            ("unheard", "unknown", "10:09", "12:00", None, 3108, None, 3108),
            ("lit", "none", "12:00", "12:01", 0, 0, 0, 0),
        ],
    ),
    Scenario(
        "lamp's counter stood still over a cut: what the total shows passed in silence",  # 1040.3 - 1000.3
        [out("10:00", "10:02", T=1000.3, H=5000.1234) + out("11:00", "11:02", T=1040.3, H=5000.1234)],
        [
            ("dark", "no-power", "10:00", "10:01", 0, 0, 0, 0),
            ("unheard", "no-power", "10:01", "11:00", 40, 40, None, 40),  # suspected on both sides: no step more
            ("dark", "no-power", "11:00", "11:01", 0, 0, 0, 0),
        ],
    ),
    Scenario(
        # 2 min lit and 118 by the counter while the lamp is said off at the start: the worse holds, dark until the
        # lamp is said on, 118 min x 28 L/min at most
        "a counter that runs while the lamp is said to be off proves nothing",
        [ticking("10:00", "10:03", **{**OUT, "power": True}, DP=45.0) + one("12:00", **WELL, H=5002.0, DP=45.0)
         + one("12:01", **WELL)],
        [
            ("dark", "no-lamp", "10:00", "12:00", None, 3304, 0, 3304),
            ("warming", "none", "12:00", "12:01", 0, 0, 0, 0),
        ],
    ),
    Scenario(
        "lamp's counter advanced by the whole gap, but the lamp is off after it",  # 118 min x 28 L/min at most
        [ticking("10:00", "10:03", **WELL, DP=45.0) + out("12:00", "12:02", power=True, H=5002.0, DP=45.0)],
        [
            ("lit", "none", "10:00", "10:02", 0, 0, 0, 0),
            ("dark", "no-lamp", "10:02", "12:01", None, 3304, 0, 3304),
        ],
    ),
    Scenario(
        "weak: dose under target while water flows",  # five readings of 12 L/min: 0..12, 12 x 4, 0..12
        [well("10:00", "10:05") + well("10:05", "10:10", Q=12.0, D=39.9) + well("10:10", "10:12", D=39.9)],
        [
            ("lit", "none", "10:00", "10:04", 0, 0, 0, 0),
            ("weak", "none", "10:04", "10:10", 60, 72, 48, 72),
            ("lit", "none", "10:10", "10:11", 0, 0, 0, 0),  # the same dose, but no water
        ],
    ),
    Scenario(
        "dose exactly at target is enough",
        [well("10:00", "10:05", Q=12.0, D=40.0)],
        [("lit", "none", "10:00", "10:04", 48, 48, 0, 0)],
    ),
    Scenario(
        # 5 L/min x 4 min; its start is not known: 2 warming. It may have been warm all along, and got its dose
        "no intensity: the dose of flowing water is not known",
        [every("10:00", "10:05", Q=5.0, lamp=True, power=True)],
        [
            ("warming", "none", "10:00", "10:02", 10, 10, 0, 10),
            ("weak", "none", "10:02", "10:04", 10, 10, 0, 10),
        ],
    ),
    Scenario(
        # 4 L between two zeros, in whole litres 1 more; the total does not say at which flow
        "the total shows water that no flow reading caught; dose at its flow not known",
        [well("10:00", "10:02", T=1000.0) + well("10:02", "10:04", T=1004.0)],
        [
            ("lit", "none", "10:00", "10:01", 0, 0, 0, 0),
            ("weak", "none", "10:01", "10:02", 4, 5, 0, 5),
            ("lit", "none", "10:02", "10:03", 0, 0, 0, 0),
        ],
    ),
    Scenario(
        "the same where even peak flow would have got the dose",
        [well("10:00", "10:02", T=1000.0, DP=45.0) + well("10:02", "10:04", T=1004.0, DP=45.0)],
        [("lit", "none", "10:00", "10:03", 4, 4, 0, 0)],
    ),
    Scenario(
        "mean flow by the total above the reading: the dose is scaled down",  # 60 x 8 / 16 = 30 under 40; 16 + 1 L
        [well("10:00", "10:01", T=1000.0, Q=8.0, D=60.0) + well("10:01", "10:03", T=1016.0, DP=45.0)],
        [
            ("weak", "none", "10:00", "10:01", 16, 17, 0, 17),
            ("lit", "none", "10:01", "10:02", 0, 0, 0, 0),
        ],
    ),
    Scenario(
        "the same with light for twice the flow",  # 80 x 8 / 16 = 40
        [well("10:00", "10:01", T=1000.0, Q=8.0, D=80.0) + well("10:01", "10:03", T=1016.0, DP=45.0)],
        [("lit", "none", "10:00", "10:02", 16, 16, 0, 0)],
    ),
    Scenario(
        # a third of the minute each; 6 + 1 L at most, shared by the dark and the warming 20 s; they may have got
        # none of it, for the 20 lit ones hold 9.3 L. The intensity has not changed: no witness of the warm-up
        "cut between two readings: two events give its moments, the total its litres",
        [well("10:00", "10:01", T=1000.0, DP=45.0)
         + one("10:00:20", power=False, DP=45.0) + one("10:00:40", power=True, lamp=True, DP=45.0)
         + well("10:01", "10:05", T=1006.0, DP=45.0)],
        [
            ("lit", "none", "10:00", "10:00:20", 2, 2, 0, 0),
            ("dark", "no-power", "10:00:20", "10:00:40", 2, 3.5, 0, 3.5),
            ("warming", "none", "10:00:40", "10:02:40", 2, 3.5, 0, 3.5),
            ("lit", "none", "10:02:40", "10:04", 0, 0, 0, 0),
        ],
    ),
    Scenario(
        # 6 L/min at every reading: 2 L in the dark 20 s and 2 L until 10:01 at most, none if the tank was empty;
        # then 10 L for certain in the rest of a warm-up without a changed intensity
        "two events give the moments of a cut to the second",
        [well("10:00", "10:01", Q=6.0) + one("10:00:20", power=False) + one("10:00:40", power=True, lamp=True)
         + well("10:01", "10:05", Q=6.0)],
        [
            ("lit", "none", "10:00", "10:00:20", 2, 2, 0, 0),
            ("dark", "no-power", "10:00:20", "10:00:40", 2, 2, 0, 2),
            ("warming", "none", "10:00:40", "10:02:40", 12, 12, 10, 12),
            ("lit", "none", "10:02:40", "10:04", 8, 8, 0, 0),
        ],
    ),
    Scenario(
        "the same where no pump is needed",  # 6 L/min on both sides: 2 L in the dark, 12 L in the warm-up
        [well("10:00", "10:01", Q=6.0) + one("10:00:20", power=False) + one("10:00:40", power=True, lamp=True)
         + well("10:01", "10:05", Q=6.0)],
        [
            ("lit", "none", "10:00", "10:00:20", 2, 2, 0, 0),
            ("dark", "no-power", "10:00:20", "10:00:40", 2, 2, 2, 2),
            ("warming", "none", "10:00:40", "10:02:40", 12, 12, 12, 12),
            ("lit", "none", "10:02:40", "10:04", 8, 8, 0, 0),
        ],
        unit={"gravity_fed": True},
    ),
    Scenario(
        # the supply is known to run: 6 L/min on both sides are 2 L in 20 s without the lamp alone, and then 12 L
        "a lamp that goes out alone leaves the flow as it was",
        [well("10:00", "10:01", Q=6.0) + one("10:00:20", lamp=False) + one("10:00:40", lamp=True)
         + well("10:01", "10:05", Q=6.0)],
        [
            ("lit", "none", "10:00", "10:00:20", 2, 2, 0, 0),
            ("dark", "no-lamp", "10:00:20", "10:00:40", 2, 2, 2, 2),
            ("warming", "none", "10:00:40", "10:02:40", 12, 12, 12, 12),
            ("lit", "none", "10:02:40", "10:04", 8, 8, 0, 0),
        ],
    ),
    Scenario(
        # 6 L/min were read before it and 0 after it: in 20 dark seconds 2 L at most, and none if it ended before;
        # 2 L at most too until 10:01
        "a draw that ends before or after the cut, nobody knows which",
        [well("10:00", "10:01", Q=6.0) + one("10:00:20", lamp=False) + one("10:00:40", lamp=True)
         + well("10:01", "10:05")],
        [
            ("lit", "none", "10:00", "10:00:20", 2, 2, 0, 0),
            ("dark", "no-lamp", "10:00:20", "10:00:40", 2, 2, 0, 2),
            ("warming", "none", "10:00:40", "10:02:40", 2, 2, 0, 2),
            ("lit", "none", "10:02:40", "10:04", 0, 0, 0, 0),
        ],
    ),
    Scenario(
        # 5 L/min, shown as 10 L at every second minute, more than one minute at 6 L/min can hold: all of it counts.
        # 3 L until 10:02 and 6 L until 10:03, which the total may hide, and then the 40 L that it shows; drawn are,
        # besides, 5 of the first 10 L; the least of a minute is no more than that minute can hold: 4 x 6
        "a meter in tens shows in one minute what two let pass",
        [[one_row for m in range(12) for one_row in one(
            f"10:{m:02}", lamp=m < 2, power=True, I=41.0 if m < 2 else 0.0, Q=5.0, T=1000.0 + 10 * (m // 2))]
         + one("10:01:30", lamp=False)],
        [
            ("lit", "none", "10:00", "10:01:30", 5, 5, 0, 0),
            ("dark", "no-lamp", "10:01:30", "10:11", 45, 51, 24, 49),
        ],
        unit={"peak_flow_l_min": 6.0, "gravity_fed": True},
    ),
    Scenario(
        "a pause of one and a half cadences is covered by its lit ends",
        [well("10:00", "10:01") + well("10:01:30", "10:03:30")],
        [("lit", "none", "10:00", "10:02:30", 0, 0, 0, 0)],
    ),
    Scenario(
        "a second longer is not",  # 28 L/min x 91 s
        [well("10:00", "10:01") + well("10:01:31", "10:03:31")],
        [
            ("unheard", "unknown", "10:00", "10:01:31", None, 28 * 91 / 60, None, 28 * 91 / 60),
            ("lit", "none", "10:01:31", "10:02:31", 0, 0, 0, 0),
        ],
    ),
    Scenario(
        "at a slow cadence lit ends cover 300 s",
        [well("10:00", "10:20", step_s=300)],
        [("lit", "none", "10:00", "10:15", 0, 0, 0, 0)],
        unit={"cadence_s": 900.0},
    ),
    Scenario(
        "and no more, though 15 min are its cadence",  # 30 min x 28 L/min
        [well("10:00", "10:45", step_s=900)],
        [("unheard", "unknown", "10:00", "10:30", None, 840, None, 840)],
        unit={"cadence_s": 900.0},
    ),
    Scenario(
        # 0..3, 3, 3 (dark to 10:07, when it shines): drawn 0 + 3 + 3, least 3 (between 10:05 and 10:06), most 9
        "a unit that reports intensity only",
        [every("10:00", "10:05", I=41.0, Q=0.0) + every("10:05", "10:07", I=0.2, Q=3.0)
         + every("10:07", "10:08", I=20.0, Q=3.0, D=50.0) + every("10:08", "10:11", I=41.0, Q=0.0)],
        [
            ("lit", "none", "10:00", "10:04", 0, 0, 0, 0),
            ("dark", "unknown", "10:04", "10:07", 6, 9, 3, 9),
            ("warming", "none", "10:07", "10:09", 3, 3, 0, 0),
            ("lit", "none", "10:09", "10:10", 0, 0, 0, 0),
        ],
    ),
    Scenario(
        # 0..2 and 2 before 10:09: drawn 2, most 4, and 0 for certain, since it can have come on just after 10:08
        "power is back, the lamp not heard of: dark until light is seen",
        [well("10:00", "10:05") + one("10:05", Q=0.0, power=False) + every("10:06", "10:08", I=0.0, Q=0.0)
         + one("10:08", power=True, Q=2.0) + one("10:09", I=35.0, Q=2.0) + every("10:10", "10:13", I=41.0, Q=0.0)],
        [
            ("lit", "none", "10:00", "10:04", 0, 0, 0, 0),
            ("dark", "no-power", "10:04", "10:09", 2, 4, 0, 4),
            ("warming", "none", "10:09", "10:11", 2, 2, 0, 0),
            ("lit", "none", "10:11", "10:12", 0, 0, 0, 0),
        ],
    ),
    Scenario(
        # a gateway repeats lamp on and 41 W/m2: dark all the same; 0..4, then 4 x 4
        "power off outvotes a gateway that repeats the lamp",
        [well("10:00", "10:05") + well("10:05", "10:10", power=False, Q=4.0)],
        [
            ("lit", "none", "10:00", "10:04", 0, 0, 0, 0),
            ("dark", "no-power", "10:04", "10:09", 16, 20, 16, 20),
        ],
    ),
    Scenario(
        # 59 min x 28 L/min; then a weak 4..0 x 1
        "after a gap a lamp under its alarm intensity is taken for one that just came on",
        [well("10:00", "10:02") + well("11:00", "11:01", I=20.0, Q=4.0, D=25.0) + well("11:01", "11:04", I=20.0)],
        [
            ("lit", "none", "10:00", "10:01", 0, 0, 0, 0),
            ("unheard", "unknown", "10:01", "11:00", None, 1652, None, 1652),
            ("warming", "none", "11:00", "11:02", 4, 4, 0, 4),
            ("lit", "none", "11:02", "11:03", 0, 0, 0, 0),
        ],
    ),
    Scenario(
        "two gaps with one heard spell between: each has its own total",  # 1033 - 1003, 1103 - 1033, and 1 L each
        [well("10:00", "10:02", T=1003.0) + well("11:00", "11:02", T=1033.0) + well("12:00", "12:02", T=1103.0)],
        [
            ("lit", "none", "10:00", "10:01", 0, 0, 0, 0),
            ("unheard", "unknown", "10:01", "11:00", 30, 31, None, 31),
            ("lit", "none", "11:00", "11:01", 0, 0, 0, 0),
            ("unheard", "unknown", "11:01", "12:00", 70, 71, None, 71),
            ("lit", "none", "12:00", "12:01", 0, 0, 0, 0),
        ],
    ),
    Scenario(
        "a later record of the same instant fills what was empty",  # 0..8 x 2, told in two messages
        [out("10:00", "10:01"), every("10:01", "10:02", I=0.0, lamp=False), out("10:02", "10:04"),
         every("10:01", "10:02", Q=8.0)],
        [("dark", "no-power", "10:00", "10:03", 8, 16, 0, 16)],
    ),
    Scenario(
        # three minutes without power, then four in which nothing new shows the lamp: the longer names the cause
        "an intensity read during the cut does not show the lamp once the power is back",
        [well("10:00", "10:05") + one("10:05", Q=0.0, power=False) + one("10:06", I=41.0, Q=0.0)
         + one("10:07", power=True) + every("10:08", "10:12", I=41.0, Q=0.0)],
        [
            ("lit", "none", "10:00", "10:04", 0, 0, 0, 0),
            ("dark", "unknown", "10:04", "10:11", 0, 0, 0, 0),
        ],
    ),
    Scenario(
        "another intensity does",
        [well("10:00", "10:05") + one("10:05", Q=0.0, power=False) + one("10:06", I=41.0, Q=0.0)
         + one("10:07", power=True) + every("10:08", "10:12", I=40.6, Q=0.0)],
        [
            ("lit", "none", "10:00", "10:04", 0, 0, 0, 0),
            ("dark", "no-power", "10:04", "10:08", 0, 0, 0, 0),
            ("warming", "none", "10:08", "10:10", 0, 0, 0, 0),
            ("lit", "none", "10:10", "10:11", 0, 0, 0, 0),
        ],
    ),
    Scenario(
        "darkness read before lamp-on does not contradict it",
        [out("10:00", "10:03") + one("10:02:30", lamp=True, power=True) + one("10:03:40", Q=0.0)
         + well("10:05", "10:07")],
        [
            ("dark", "no-power", "10:00", "10:02:30", 0, 0, 0, 0),
            ("warming", "none", "10:02:30", "10:04:30", 0, 0, 0, 0),
            ("lit", "none", "10:04:30", "10:06", 0, 0, 0, 0),
        ],
    ),
    Scenario(
        # 0..6 dark; 6 warming for certain; dark from 10:03, when it could still be cold, to the first light
        "no light at lamp-on, and none when the warm-up is over: dark",
        [out("10:00", "10:02") + well("10:02", "10:05", I=0.0, Q=6.0) + well("10:05", "10:09")],
        [
            ("dark", "no-power", "10:00", "10:02", 0, 6, 0, 6),
            ("warming", "none", "10:02", "10:03", 6, 6, 6, 6),
            ("dark", "no-lamp", "10:03", "10:05", 12, 12, 0, 12),
            ("warming", "none", "10:05", "10:07", 0, 0, 0, 0),
            ("lit", "none", "10:07", "10:08", 0, 0, 0, 0),
        ],
    ),
    Scenario(
        # 5 L/min x 1.5 min; half a minute later the light is 120 s old and the dose unknown: 28 x 0.5 at most
        "what was measured one and a half cadences ago still speaks, and no longer",
        [well("10:00", "10:01", Q=5.0) + one("10:01", power=True) + one("10:01:30", power=True)
         + one("10:02", power=True)],
        [
            ("lit", "none", "10:00", "10:01:30", 7.5, 7.5, 0, 0),
            ("weak", "none", "10:01:30", "10:02", 2.5, 14, 0, 14),
        ],
    ),
    Scenario(
        "after a gap the lamp's status is not believed until it is said again",
        [well("10:00", "10:02") + every("11:00", "11:02", Q=0.0, power=True) + well("11:02", "11:04")],
        [
            ("lit", "none", "10:00", "10:01", 0, 0, 0, 0),
            ("unheard", "unknown", "10:01", "11:02", None, 1652, None, 1652),  # 59 min x 28 L/min, then none
            ("lit", "none", "11:02", "11:03", 0, 0, 0, 0),
        ],
    ),
    Scenario(
        "a power cut from before a gap stands until power or another light is reported",  # the tank once
        [out("10:00", "10:02") + every("11:00", "11:01", I=0.0, Q=0.0) + out("12:00", "12:02")],
        [
            ("dark", "no-power", "10:00", "10:01", 0, 0, 0, 0),
            ("unheard", "no-power", "10:01", "12:00", None, 25, None, 25),
            ("dark", "no-power", "12:00", "12:01", 0, 0, 0, 0),
        ],
    ),
    Scenario(
        # 6 x 0.5 passed while it was lit; 50 + 1 - 3 at most in the gap
        "water metered between the last total and the gap is not counted twice",
        [well("10:00", "10:01", Q=6.0, T=1003.0, DP=45.0) + one("10:00:30", power=True, Q=6.0, DP=45.0)
         + well("11:00", "11:02", T=1053.0, DP=45.0)],
        [
            ("lit", "none", "10:00", "10:00:30", 3, 3, 0, 0),
            ("unheard", "unknown", "10:00:30", "11:00", 47, 48, None, 48),
            ("lit", "none", "11:00", "11:01", 0, 0, 0, 0),
        ],
    ),
    Scenario(
        # one reading of 6 L/min alone is no water for certain: 50 + 1 at most in the gap
        "water of which one reading alone speaks may have passed in the gap",
        [well("10:00", "10:01", Q=6.0, T=1003.0, DP=45.0) + one("10:00:30", power=True, DP=45.0)
         + well("11:00", "11:02", T=1053.0, DP=45.0)],
        [
            ("lit", "none", "10:00", "10:00:30", 3, 3, 0, 0),
            ("unheard", "unknown", "10:00:30", "11:00", 47, 51, None, 51),
            ("lit", "none", "11:00", "11:01", 0, 0, 0, 0),
        ],
    ),
    Scenario(
        # 4 L/min x 1 min of the 50; 0..4, so it may have been none: 50 + 1 at most in the gap
        "nor is water metered between the gap and the next total",
        [well("10:00", "10:02", T=1003.0, DP=45.0) + well("11:00", "11:01", Q=4.0, DP=45.0)
         + well("11:01", "11:03", T=1053.0, DP=45.0)],
        [
            ("lit", "none", "10:00", "10:01", 0, 0, 0, 0),
            ("unheard", "unknown", "10:01", "11:00", 46, 51, None, 51),
            ("lit", "none", "11:00", "11:02", 4, 4, 0, 0),
        ],
    ),
    Scenario(
        "no flow meter, but enough light for the most that can flow",  # 28 L/min x 3 min at most
        [every("10:00", "10:04", I=41.0, lamp=True, DP=45.0)],
        [("lit", "none", "10:00", "10:03", None, 84, 0, 0)],
    ),
    Scenario(
        "no flow meter, and not enough light for it",
        [every("10:00", "10:04", I=41.0, lamp=True, DP=39.0)],
        [("weak", "none", "10:00", "10:03", None, 84, 0, 84)],
    ),
    Scenario(
        # 1.1 x 28 + 2 + 1 = 33.8 L is the most that a stamped minute may show; 34 L can't be: all of it, and a step
        "more water than the supply can deliver in the time stamped",
        [well("10:00", "10:02", T=1003.0, DP=45.0) + well("10:02", "10:04", T=1037.0, DP=45.0)],
        [
            ("lit", "none", "10:00", "10:01", 0, 0, 0, 0),
            ("unheard", "unknown", "10:01", "10:02", 34, 35, None, 35),
            ("lit", "none", "10:02", "10:03", 0, 0, 0, 0),
        ],
    ),
    Scenario(
        "as much as it can, with what is allowed for a clock of whole seconds",  # 33 L
        [well("10:00", "10:02", T=1003.0, DP=45.0) + well("10:02", "10:04", T=1036.0, DP=45.0)],
        [("lit", "none", "10:00", "10:03", 33, 33, 0, 0)],
    ),
    Scenario(
        # neither status nor a changing intensity: from 07:30, 2.5 h after it was first read, no witness; 149 min
        # at 2 L/min, and then 30
        "the same intensity to the last digit for hours, and no status",
        [every("05:00", "08:00", I=41.0, Q=2.0)],
        [
            ("lit", "none", "05:00", "07:29", 298, 298, 0, 0),
            ("unheard", "unknown", "07:29", "07:59", 60, 60, None, 60),
        ],
    ),
]
