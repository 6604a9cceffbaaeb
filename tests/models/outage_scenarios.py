"""Power cuts and other troubles as data: what a logger sent, and the intervals and litres worked out by hand.

The unit of every scenario, unless it says otherwise: a reading each 60 s, so a reading speaks for 180 s at most;
warm-up 120 s; alarm at 29 W/m2 (5 % of it, 1.45 W/m2, is darkness); target 40 mJ/cm2; peak flow 28 L/min; a
pressure tank that gives 25 L with the pump dead. Litres are flow x minutes or a difference of totals, as the
comment beside each says; None is "unknown". Intervals: kind, cause, start, end, drawn, drawn at most, under-dosed,
under-dosed at most.

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


SCENARIOS = [
    Scenario(
        "cut with no draw",
        [well("10:00", "10:10") + out("10:10", "10:40") + well("10:40", "10:51")],
        [
            ("lit", "none", "10:00", "10:10", 0, 0, 0, 0),
            ("dark", "no-power", "10:10", "10:40", 0, 0, 0, 0),
            ("warming", "none", "10:40", "10:42", 0, 0, 0, 0),
            ("lit", "none", "10:42", "10:50", 0, 0, 0, 0),
        ],
    ),
    Scenario(
        "draw from drawdown only, metered",  # 8 + 6 + 4 L/min, a minute each
        [
            well("10:00", "10:10") + out("10:10", "10:15") + out("10:15", "10:16", Q=8.0)
            + out("10:16", "10:17", Q=6.0) + out("10:17", "10:18", Q=4.0) + out("10:18", "10:40")
            + well("10:40", "10:44")
        ],
        [
            ("lit", "none", "10:00", "10:10", 0, 0, 0, 0),
            ("dark", "no-power", "10:10", "10:40", 18, 18, 18, 18),
            ("warming", "none", "10:40", "10:42", 0, 0, 0, 0),
            ("lit", "none", "10:42", "10:43", 0, 0, 0, 0),
        ],
    ),
    Scenario(
        "gravity supply flows on in the dark",  # 10 L/min x 5 min
        [
            well("10:00", "10:10") + out("10:10", "10:20") + out("10:20", "10:25", Q=10.0) + out("10:25", "10:31")
        ],
        [
            ("lit", "none", "10:00", "10:10", 0, 0, 0, 0),
            ("dark", "no-power", "10:10", "10:30", 50, 50, 50, 50),
        ],
        unit={"gravity_fed": True},
    ),
    Scenario(
        "link lost, no totals: the most that can have flowed",  # 10:12 to 12:00 is 108 min x 28 L/min
        [well("10:00", "10:10") + well("12:00", "12:03")],
        [
            ("lit", "none", "10:00", "10:12", 0, 0, 0, 0),
            ("unheard", "no-link", "10:12", "12:00", None, 3024, None, 3024),
            ("lit", "none", "12:00", "12:02", 0, 0, 0, 0),
        ],
        links=[("10:09:30", False), ("11:59:50", True)],
    ),
    Scenario(
        "cut during a link loss, told by the backlog two days late",  # 5 L/min: 2 min dark, 1 min warming, 1 lit
        [
            well("10:00", "10:10") + well("2026-06-17T10:00+00:00", "2026-06-17T10:02+00:00"),
            well("10:10", "10:30") + out("10:30", "10:40") + out("10:40", "10:42", Q=5.0) + out("10:42", "11:00")
            + well("11:00", "11:01", Q=5.0) + well("11:01", "11:02") + well("11:02", "11:03", Q=5.0)
            + well("11:03", "2026-06-17T10:00+00:00", step_s=180),
        ],
        [
            ("lit", "none", "10:00", "10:30", 0, 0, 0, 0),
            ("dark", "no-power", "10:30", "11:00", 10, 10, 10, 10),
            ("warming", "none", "11:00", "11:02", 5, 5, 5, 5),
            ("lit", "none", "11:02", "2026-06-17T10:01+00:00", 5, 5, 0, 0),
        ],
        links=[("10:09:30", False), ("2026-06-17T09:59:50+00:00", True)],
    ),
    Scenario(
        "logger dead, total across the gap",  # 1120 - 1000
        [well("10:00", "10:10", T=1000.0) + well("12:00", "12:03", T=1120.0)],
        [
            ("lit", "none", "10:00", "10:12", 0, 0, 0, 0),
            ("unheard", "unknown", "10:12", "12:00", 120, 120, None, 120),
            ("lit", "none", "12:00", "12:02", 0, 0, 0, 0),
        ],
    ),
    Scenario(
        "link up, nothing said: it is the logger",
        [well("10:00", "10:10", T=1000.0) + well("12:00", "12:03", T=1000.0)],
        [
            ("lit", "none", "10:00", "10:12", 0, 0, 0, 0),
            ("unheard", "no-logger", "10:12", "12:00", 0, 0, 0, 0),  # the meter stood still
            ("lit", "none", "12:00", "12:02", 0, 0, 0, 0),
        ],
        links=[("08:00", True)],
    ),
    Scenario(
        "tap open when the logger died",  # held 10 L/min x 3 min = 30 of the 120; at most all came in the gap
        [well("10:00", "10:09", T=1000.0) + one("10:09", **{**WELL, "Q": 10.0}, T=1000.0)
         + well("12:00", "12:03", T=1120.0)],
        [
            ("lit", "none", "10:00", "10:12", 30, 30, 0, 0),
            ("unheard", "unknown", "10:12", "12:00", 90, 120, None, 120),
            ("lit", "none", "12:00", "12:02", 0, 0, 0, 0),
        ],
    ),
    Scenario(
        "the total denies that the last flow went on",  # 12 L in all, though 10 L/min x 3 min would be 30
        [well("10:00", "10:09", T=1000.0) + one("10:09", **{**WELL, "Q": 10.0}, T=1000.0)
         + well("12:00", "12:03", T=1012.0)],
        [
            ("lit", "none", "10:00", "10:12", 12, 30, 0, 0),
            ("unheard", "unknown", "10:12", "12:00", 0, 12, 0, 12),
            ("lit", "none", "12:00", "12:02", 0, 0, 0, 0),
        ],
    ),
    Scenario(
        "total heard half a minute after the gap",  # 1050 - 1000; the lamp's start is not known, 30 W/m2 proves it
        [well("10:00", "10:10", T=1000.0)
         + one("12:00", lamp=True, power=True) + one("12:00:30", I=30.0, Q=0.0, T=1050.0) + one("12:01", I=30.0)],
        [
            ("lit", "none", "10:00", "10:12", 0, 0, 0, 0),
            ("unheard", "unknown", "10:12", "12:00", 50, 50, None, 50),
            ("warming", "none", "12:00", "12:00:30", None, 14, None, 14),  # flow not heard yet: 28 L/min x 0.5
            ("lit", "none", "12:00:30", "12:01", 0, 0, 0, 0),
        ],
    ),
    Scenario(
        "two cuts in a row",  # 3 L/min x 2 min, then 4 L/min x 1 min
        [
            well("10:00", "10:10") + out("10:10", "10:12", Q=3.0) + out("10:12", "10:20") + well("10:20", "10:30")
            + out("10:30", "10:31", Q=4.0) + out("10:31", "10:35") + well("10:35", "10:41")
        ],
        [
            ("lit", "none", "10:00", "10:10", 0, 0, 0, 0),
            ("dark", "no-power", "10:10", "10:20", 6, 6, 6, 6),
            ("warming", "none", "10:20", "10:22", 0, 0, 0, 0),
            ("lit", "none", "10:22", "10:30", 0, 0, 0, 0),
            ("dark", "no-power", "10:30", "10:35", 4, 4, 4, 4),
            ("warming", "none", "10:35", "10:37", 0, 0, 0, 0),
            ("lit", "none", "10:37", "10:40", 0, 0, 0, 0),
        ],
    ),
    Scenario(
        "second cut while still warming up starts the warm-up again",  # 6 L/min x 1 min warming
        [
            well("10:00", "10:10") + out("10:10", "10:20") + well("10:20", "10:21", Q=6.0) + out("10:21", "10:25")
            + well("10:25", "10:29")
        ],
        [
            ("lit", "none", "10:00", "10:10", 0, 0, 0, 0),
            ("dark", "no-power", "10:10", "10:20", 0, 0, 0, 0),
            ("warming", "none", "10:20", "10:21", 6, 6, 6, 6),
            ("dark", "no-power", "10:21", "10:25", 0, 0, 0, 0),
            ("warming", "none", "10:25", "10:27", 0, 0, 0, 0),
            ("lit", "none", "10:27", "10:28", 0, 0, 0, 0),
        ],
    ),
    Scenario(
        "lamp failure with power on",  # 6 L/min x 5 min
        [well("10:00", "10:10") + out("10:10", "10:15", power=True, Q=6.0) + out("10:15", "10:21", power=True)],
        [
            ("lit", "none", "10:00", "10:10", 0, 0, 0, 0),
            ("dark", "no-lamp", "10:10", "10:20", 30, 30, 30, 30),
        ],
    ),
    Scenario(
        "warm-up draw",  # 9 L/min x 3 min, two of them warming
        [well("10:00", "10:10") + out("10:10", "10:20") + well("10:20", "10:23", Q=9.0) + well("10:23", "10:26")],
        [
            ("lit", "none", "10:00", "10:10", 0, 0, 0, 0),
            ("dark", "no-power", "10:10", "10:20", 0, 0, 0, 0),
            ("warming", "none", "10:20", "10:22", 18, 18, 18, 18),
            ("lit", "none", "10:22", "10:25", 9, 9, 0, 0),
        ],
    ),
    Scenario(
        "warm-up ends between two readings",  # 10 L/min: 1 + 0.5 min warming, 0.5 min lit
        [
            well("10:00", "10:10") + out("10:10", "10:41") + one("10:40:30", lamp=True, power=True)
            + well("10:41", "10:43", Q=10.0) + well("10:43", "10:45")
        ],
        [
            ("lit", "none", "10:00", "10:10", 0, 0, 0, 0),
            ("dark", "no-power", "10:10", "10:40:30", 0, 0, 0, 0),
            ("warming", "none", "10:40:30", "10:42:30", 15, 15, 15, 15),
            ("lit", "none", "10:42:30", "10:44", 5, 5, 0, 0),
        ],
    ),
    Scenario(
        "cut from midnight, the night the clocks go back",  # 00:00 -04:00 to 03:00 -05:00 is 4 h; 0.5 L/min x 240
        [
            well("2026-11-01T03:50+00:00", "2026-11-01T00:00-04:00")
            + out("2026-11-01T00:00-04:00", "2026-11-01T03:00-05:00", Q=0.5)
            + well("2026-11-01T08:00+00:00", "2026-11-01T08:04+00:00")
        ],
        [
            ("lit", "none", "2026-11-01T03:50+00:00", "2026-11-01T04:00+00:00", 0, 0, 0, 0),
            ("dark", "no-power", "2026-11-01T04:00+00:00", "2026-11-01T08:00+00:00", 120, 120, 120, 120),
            ("warming", "none", "2026-11-01T08:00+00:00", "2026-11-01T08:02+00:00", 0, 0, 0, 0),
            ("lit", "none", "2026-11-01T08:02+00:00", "2026-11-01T08:03+00:00", 0, 0, 0, 0),
        ],
    ),
    Scenario(
        "cut from midnight, the night the clocks go forward",  # 00:00 -05:00 to 04:00 -04:00: 3 h; 0.5 L/min x 180
        [
            well("2026-03-08T04:50+00:00", "2026-03-08T00:00-05:00")
            + out("2026-03-08T00:00-05:00", "2026-03-08T04:00-04:00", Q=0.5)
            + well("2026-03-08T08:00+00:00", "2026-03-08T08:02+00:00")
        ],
        [
            ("lit", "none", "2026-03-08T04:50+00:00", "2026-03-08T05:00+00:00", 0, 0, 0, 0),
            ("dark", "no-power", "2026-03-08T05:00+00:00", "2026-03-08T08:00+00:00", 90, 90, 90, 90),
            ("warming", "none", "2026-03-08T08:00+00:00", "2026-03-08T08:01+00:00", 0, 0, 0, 0),
        ],
    ),
    Scenario(
        "every message twice",  # 7 L/min x 2 min
        [well("10:00", "10:05"), out("10:05", "10:07", Q=7.0), well("10:00", "10:05"), out("10:05", "10:07", Q=7.0),
         out("10:07", "10:09"), out("10:07", "10:09")],
        [
            ("lit", "none", "10:00", "10:05", 0, 0, 0, 0),
            ("dark", "no-power", "10:05", "10:08", 14, 14, 14, 14),
        ],
    ),
    Scenario(
        "messages out of order",
        [out("10:07", "10:09"), out("10:05", "10:07", Q=7.0), well("10:00", "10:05")[::-1]],
        [
            ("lit", "none", "10:00", "10:05", 0, 0, 0, 0),
            ("dark", "no-power", "10:05", "10:08", 14, 14, 14, 14),
        ],
    ),
    Scenario(
        "meter reset while heard: flow x time stands in",  # 5 L/min x 1 min; the total falls
        [out("10:00", "10:02", T=1000.0) + out("10:02", "10:03", T=1000.0, Q=5.0) + out("10:03", "10:05", T=2.0)],
        [("dark", "no-power", "10:00", "10:04", 5, 5, 5, 5)],
    ),
    Scenario(
        "meter reset in a gap: unknown",  # 10:12 to 11:12 is 60 min x 28 L/min
        [well("10:00", "10:10", T=1000.0) + well("11:12", "11:14", T=3.0)],
        [
            ("lit", "none", "10:00", "10:12", 0, 0, 0, 0),
            ("unheard", "unknown", "10:12", "11:12", None, 1680, None, 1680),
            ("lit", "none", "11:12", "11:13", 0, 0, 0, 0),
        ],
    ),
    Scenario(
        "lamp said on, intensity zero",  # 7 L/min x 3 min; a lamp that comes back has to warm up
        [well("10:00", "10:10") + well("10:10", "10:13", I=0.0, Q=7.0) + well("10:13", "10:17")],
        [
            ("lit", "none", "10:00", "10:10", 0, 0, 0, 0),
            ("dark", "no-lamp", "10:10", "10:13", 21, 21, 21, 21),
            ("warming", "none", "10:13", "10:15", 0, 0, 0, 0),
            ("lit", "none", "10:15", "10:16", 0, 0, 0, 0),
        ],
    ),
    Scenario(
        "lamp said off, intensity high",  # 2 L/min x 4 min
        [well("10:00", "10:10") + well("10:10", "10:14", lamp=False, Q=2.0) + well("10:14", "10:16", lamp=False)],
        [
            ("lit", "none", "10:00", "10:10", 0, 0, 0, 0),
            ("dark", "no-lamp", "10:10", "10:15", 8, 8, 8, 8),
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
        "no lamp status and no intensity: nobody can call it lit",  # 5 L/min x 2 min
        [every("10:00", "10:02", Q=5.0, power=True) + every("10:02", "10:05", Q=0.0, power=True)],
        [("unheard", "unknown", "10:00", "10:04", 10, 10, None, 10)],
    ),
    Scenario(
        "logger and power gone, pressure tank bounds the draw",
        [well("10:00", "10:10") + out("10:10", "10:11") + well("14:00", "14:02")],
        [
            ("lit", "none", "10:00", "10:10", 0, 0, 0, 0),
            ("dark", "no-power", "10:10", "10:13", 0, 0, 0, 0),
            ("unheard", "no-power", "10:13", "14:00", None, 25, None, 25),
            ("lit", "none", "14:00", "14:01", 0, 0, 0, 0),
        ],
    ),
    Scenario(
        "the same on a gravity supply",  # 10:13 to 14:00 is 227 min x 28 L/min
        [well("10:00", "10:10") + out("10:10", "10:11") + well("14:00", "14:02")],
        [
            ("lit", "none", "10:00", "10:10", 0, 0, 0, 0),
            ("dark", "no-power", "10:10", "10:13", 0, 0, 0, 0),
            ("unheard", "no-power", "10:13", "14:00", None, 6356, None, 6356),
            ("lit", "none", "14:00", "14:01", 0, 0, 0, 0),
        ],
        unit={"gravity_fed": True},
    ),
    Scenario(
        "the same where nobody stated a drawdown",
        [well("10:00", "10:10") + out("10:10", "10:11") + well("14:00", "14:02")],
        [
            ("lit", "none", "10:00", "10:10", 0, 0, 0, 0),
            ("dark", "no-power", "10:10", "10:13", 0, 0, 0, 0),
            ("unheard", "no-power", "10:13", "14:00", None, 6356, None, 6356),
            ("lit", "none", "14:00", "14:01", 0, 0, 0, 0),
        ],
        unit={"drawdown_l": 0.0},
    ),
    Scenario(
        "the same, but the lamp burned half an hour in the gap: the pump was back too",
        [well("10:00", "10:10") + out("10:10", "10:11", H=5000.1234) + well("14:00", "14:02", H=5000.6234)],
        [
            ("lit", "none", "10:00", "10:10", 0, 0, 0, 0),
            ("dark", "no-power", "10:10", "10:13", 0, 0, 0, 0),
            ("unheard", "no-power", "10:13", "14:00", None, 6356, None, 6356),
            ("lit", "none", "14:00", "14:01", 0, 0, 0, 0),
        ],
    ),
    Scenario(
        "cut without a flow meter: the tank's volume once, not once per reading",
        [well("10:00", "10:05") + every("10:05", "10:25", I=0.0, lamp=False, power=False)],
        [
            ("lit", "none", "10:00", "10:05", 0, 0, 0, 0),
            # the last flow, 0, speaks to 10:07: from 10:08 it is older than 3 min and unknown
            ("dark", "no-power", "10:05", "10:24", None, 25, None, 25),
        ],
    ),
    Scenario(
        "lamp's counter advanced by the whole gap, dose at peak good on both sides",  # 10:09 to 12:00 is 1.85 h
        [well("10:00", "10:09") + one("10:09", **WELL, H=5000.1234, DP=45.0)
         + one("12:00", **WELL, H=5001.9734, DP=45.0) + one("12:01", **WELL)],
        [
            ("lit", "none", "10:00", "10:12", 0, 0, 0, 0),
            ("unheard", "unknown", "10:12", "12:00", None, 3024, 0, 0),
            ("lit", "none", "12:00", "12:01", 0, 0, 0, 0),
        ],
    ),
    Scenario(
        "the same, dose at peak under target after it",
        [well("10:00", "10:09") + one("10:09", **WELL, H=5000.1234, DP=45.0)
         + one("12:00", **WELL, H=5001.9734, DP=39.0) + one("12:01", **WELL)],
        [
            ("lit", "none", "10:00", "10:12", 0, 0, 0, 0),
            ("unheard", "unknown", "10:12", "12:00", None, 3024, 0, 3024),
            ("lit", "none", "12:00", "12:01", 0, 0, 0, 0),
        ],
    ),
    Scenario(
        "a counter in whole hours proves nothing here",  # it shows 2 h for 1.85 h: between 1 and 3 were burned
        [well("10:00", "10:09") + one("10:09", **WELL, H=5000.0, DP=45.0)
         + one("12:00", **WELL, H=5002.0, DP=45.0) + one("12:01", **WELL)],
        [
            ("lit", "none", "10:00", "10:12", 0, 0, 0, 0),
            ("unheard", "unknown", "10:12", "12:00", None, 3024, None, 3024),
            ("lit", "none", "12:00", "12:01", 0, 0, 0, 0),
        ],
    ),
    Scenario(
        "lamp's counter stood still: all of the total was under-dosed",  # 1040 - 1000
        [out("10:00", "10:02", T=1000.0, H=5000.1234) + out("11:00", "11:02", T=1040.0, H=5000.1234)],
        [
            ("dark", "no-power", "10:00", "10:04", 0, 0, 0, 0),
            ("unheard", "no-power", "10:04", "11:00", 40, 40, 40, 40),
            ("dark", "no-power", "11:00", "11:01", 0, 0, 0, 0),
        ],
    ),
    Scenario(
        "weak: dose under target while water flows",  # 12 L/min x 5 min
        [well("10:00", "10:05") + well("10:05", "10:10", Q=12.0, D=39.9) + well("10:10", "10:12", D=39.9)],
        [
            ("lit", "none", "10:00", "10:05", 0, 0, 0, 0),
            ("weak", "none", "10:05", "10:10", 60, 60, 60, 60),
            ("lit", "none", "10:10", "10:11", 0, 0, 0, 0),  # the same dose, but no water
        ],
    ),
    Scenario(
        "dose exactly at target is enough",
        [well("10:00", "10:05", Q=12.0, D=40.0)],
        [("lit", "none", "10:00", "10:04", 48, 48, 0, 0)],
    ),
    Scenario(
        "no intensity: the dose of flowing water is not known",  # 5 L/min x 4 min; start not known: 2 warming
        [every("10:00", "10:05", Q=5.0, lamp=True, power=True)],
        [
            ("warming", "none", "10:00", "10:02", 10, 10, 10, 10),
            ("weak", "none", "10:02", "10:04", 10, 10, 10, 10),
        ],
    ),
    Scenario(
        "the total shows water that no flow reading caught; dose at its flow not known",  # 4 L between two zeros
        [well("10:00", "10:02", T=1000.0) + well("10:02", "10:04", T=1004.0)],
        [
            ("lit", "none", "10:00", "10:01", 0, 0, 0, 0),
            ("weak", "none", "10:01", "10:02", 4, 4, 4, 4),
            ("lit", "none", "10:02", "10:03", 0, 0, 0, 0),
        ],
    ),
    Scenario(
        "the same where even peak flow would have got the dose",
        [well("10:00", "10:02", T=1000.0, DP=45.0) + well("10:02", "10:04", T=1004.0, DP=45.0)],
        [("lit", "none", "10:00", "10:03", 4, 4, 0, 0)],
    ),
    Scenario(
        "mean flow by the total above the reading: the dose is scaled down",  # 60 x 8 / 16 = 30 under 40
        [well("10:00", "10:01", T=1000.0, Q=8.0, D=60.0) + well("10:01", "10:03", T=1016.0)],
        [
            ("weak", "none", "10:00", "10:01", 16, 16, 16, 16),
            ("lit", "none", "10:01", "10:02", 0, 0, 0, 0),
        ],
    ),
    Scenario(
        "cut between two readings: 6 L by the total, shared by time, all of it possible in each part",
        [well("10:00", "10:01", T=1000.0, DP=45.0)
         + one("10:00:20", power=False) + one("10:00:40", power=True, lamp=True)
         + well("10:01", "10:05", T=1006.0, DP=45.0)],
        [
            ("lit", "none", "10:00", "10:00:20", 2, 6, 0, 0),
            ("dark", "no-power", "10:00:20", "10:00:40", 2, 6, 2, 6),
            ("warming", "none", "10:00:40", "10:02:40", 2, 6, 2, 6),
            ("lit", "none", "10:02:40", "10:04", 0, 0, 0, 0),
        ],
    ),
    Scenario(
        "a pause of exactly three cadences is held",
        [well("10:00", "10:01") + well("10:03", "10:05")],
        [("lit", "none", "10:00", "10:04", 0, 0, 0, 0)],
    ),
    Scenario(
        "a second longer is not",  # 28 L/min x 1 s
        [well("10:00", "10:01") + well("10:03:01", "10:04:02")],
        [
            ("lit", "none", "10:00", "10:03", 0, 0, 0, 0),
            ("unheard", "unknown", "10:03", "10:03:01", None, 28 / 60, None, 28 / 60),
            ("lit", "none", "10:03:01", "10:04:01", 0, 0, 0, 0),
        ],
    ),
    Scenario(
        "a unit that reports intensity only",  # 3 L/min x 2 min dark, 1 min warming
        [every("10:00", "10:05", I=41.0, Q=0.0) + every("10:05", "10:07", I=0.2, Q=3.0)
         + every("10:07", "10:08", I=20.0, Q=3.0) + every("10:08", "10:11", I=41.0, Q=0.0)],
        [
            ("lit", "none", "10:00", "10:05", 0, 0, 0, 0),
            ("dark", "unknown", "10:05", "10:07", 6, 6, 6, 6),
            ("warming", "none", "10:07", "10:09", 3, 3, 3, 3),
            ("lit", "none", "10:09", "10:10", 0, 0, 0, 0),
        ],
    ),
    Scenario(
        "power is back, the lamp not heard of: dark until light is seen",  # 2 L/min x 1 min before, 1 warming
        [well("10:00", "10:05") + one("10:05", Q=0.0, power=False) + every("10:06", "10:08", I=0.0, Q=0.0)
         + one("10:08", power=True, Q=2.0) + one("10:09", I=35.0, Q=2.0) + every("10:10", "10:13", I=41.0, Q=0.0)],
        [
            ("lit", "none", "10:00", "10:05", 0, 0, 0, 0),
            ("dark", "no-power", "10:05", "10:09", 2, 2, 2, 2),
            ("warming", "none", "10:09", "10:11", 2, 2, 2, 2),
            ("lit", "none", "10:11", "10:12", 0, 0, 0, 0),
        ],
    ),
    Scenario(
        "supply gone, lamp said on later: it burns from a battery, after a warm-up",
        [well("10:00", "10:05") + well("10:05", "10:06", power=False) + well("10:06", "10:10", power=False)],
        [
            ("lit", "none", "10:00", "10:05", 0, 0, 0, 0),
            ("dark", "no-power", "10:05", "10:06", 0, 0, 0, 0),  # on, said in the row in which the power went
            ("warming", "none", "10:06", "10:08", 0, 0, 0, 0),
            ("lit", "none", "10:08", "10:09", 0, 0, 0, 0),
        ],
    ),
    Scenario(
        "after a gap a lamp under its alarm intensity is taken for one that just came on",  # 4 L/min x 1 min
        [well("10:00", "10:02") + well("11:00", "11:01", I=20.0, Q=4.0) + well("11:01", "11:04", I=20.0)],
        [
            ("lit", "none", "10:00", "10:04", 0, 0, 0, 0),
            ("unheard", "unknown", "10:04", "11:00", None, 1568, None, 1568),  # 56 min x 28 L/min
            ("warming", "none", "11:00", "11:02", 4, 4, 4, 4),
            ("lit", "none", "11:02", "11:03", 0, 0, 0, 0),
        ],
    ),
    Scenario(
        "two gaps with one heard spell between: each has its own total",  # 1030 - 1000, then 1100 - 1030
        [well("10:00", "10:02", T=1000.0) + well("11:00", "11:02", T=1030.0) + well("12:00", "12:02", T=1100.0)],
        [
            ("lit", "none", "10:00", "10:04", 0, 0, 0, 0),
            ("unheard", "unknown", "10:04", "11:00", 30, 30, None, 30),
            ("lit", "none", "11:00", "11:04", 0, 0, 0, 0),
            ("unheard", "unknown", "11:04", "12:00", 70, 70, None, 70),
            ("lit", "none", "12:00", "12:01", 0, 0, 0, 0),
        ],
    ),
    Scenario(
        "a later record of the same instant fills what was empty",  # 8 L/min x 1 min, told in two messages
        [out("10:00", "10:01"), every("10:01", "10:02", I=0.0, lamp=False), out("10:02", "10:04"),
         every("10:01", "10:02", Q=8.0)],
        [("dark", "no-power", "10:00", "10:03", 8, 8, 8, 8)],
    ),
    Scenario(
        "an intensity read during the cut does not show the lamp once the power is back",
        [well("10:00", "10:05") + one("10:05", Q=0.0, power=False) + one("10:06", I=41.0, Q=0.0)
         + one("10:07", power=True) + every("10:08", "10:12", I=41.0, Q=0.0)],
        [
            ("lit", "none", "10:00", "10:05", 0, 0, 0, 0),
            ("dark", "no-power", "10:05", "10:08", 0, 0, 0, 0),
            ("warming", "none", "10:08", "10:10", 0, 0, 0, 0),
            ("lit", "none", "10:10", "10:11", 0, 0, 0, 0),
        ],
    ),
    Scenario(
        "darkness read before lamp-on does not contradict it",
        [out("10:00", "10:03") + one("10:02:30", lamp=True, power=True) + one("10:04:40", Q=0.0)
         + well("10:05", "10:07")],
        [
            ("dark", "no-power", "10:00", "10:02:30", 0, 0, 0, 0),
            ("warming", "none", "10:02:30", "10:04:30", 0, 0, 0, 0),
            ("lit", "none", "10:04:30", "10:06", 0, 0, 0, 0),
        ],
    ),
    Scenario(
        "no light at lamp-on, and none seen until after the warm-up: from then on dark",  # 6 L/min x 2, x 0.5
        [out("10:00", "10:02") + well("10:02", "10:03", I=0.0, Q=6.0) + well("10:04:30", "10:06:30")],
        [
            ("dark", "no-power", "10:00", "10:02", 0, 0, 0, 0),
            ("warming", "none", "10:02", "10:04", 12, 12, 12, 12),
            ("dark", "no-lamp", "10:04", "10:04:30", 3, 3, 3, 3),
            ("lit", "none", "10:04:30", "10:05:30", 0, 0, 0, 0),
        ],
    ),
    Scenario(
        "what was measured three cadences ago still speaks",  # 5 L/min x 4 min
        [well("10:00", "10:01", Q=5.0) + one("10:03", power=True) + one("10:04", power=True)],
        [("lit", "none", "10:00", "10:04", 20, 20, 0, 0)],
    ),
    Scenario(
        "after a gap the lamp's status is not believed until it is said again",
        [well("10:00", "10:02") + every("11:00", "11:02", Q=0.0, power=True) + well("11:02", "11:04")],
        [
            ("lit", "none", "10:00", "10:04", 0, 0, 0, 0),
            ("unheard", "unknown", "10:04", "11:02", None, 1568, None, 1568),  # 56 min x 28 L/min, then none
            ("lit", "none", "11:02", "11:03", 0, 0, 0, 0),
        ],
    ),
    Scenario(
        "after a gap a power cut from before it is not believed either",  # 57 min x 28 L/min in the second gap
        [out("10:00", "10:02") + every("11:00", "11:01", I=0.0, Q=0.0) + out("12:00", "12:02")],
        [
            ("dark", "no-power", "10:00", "10:04", 0, 0, 0, 0),
            ("unheard", "no-power", "10:04", "11:00", None, 25, None, 25),
            ("dark", "unknown", "11:00", "11:03", 0, 0, 0, 0),
            ("unheard", "unknown", "11:03", "12:00", None, 1596, None, 1596),
            ("dark", "no-power", "12:00", "12:01", 0, 0, 0, 0),
        ],
    ),
    Scenario(
        "water metered between the last total and the gap is not counted twice",  # 6 x (0.5 + 3) = 21; 50 - 21
        [well("10:00", "10:01", Q=6.0, T=1000.0) + one("10:00:30", power=True) + well("11:00", "11:02", T=1050.0)],
        [
            ("lit", "none", "10:00", "10:03:30", 21, 21, 0, 0),
            ("unheard", "unknown", "10:03:30", "11:00", 29, 50, None, 50),
            ("lit", "none", "11:00", "11:01", 0, 0, 0, 0),
        ],
    ),
    Scenario(
        "nor is water metered between the gap and the next total",  # 4 L/min x 1 min; 50 - 4
        [well("10:00", "10:02", T=1000.0) + well("11:00", "11:01", Q=4.0) + well("11:01", "11:03", T=1050.0)],
        [
            ("lit", "none", "10:00", "10:04", 0, 0, 0, 0),
            ("unheard", "unknown", "10:04", "11:00", 46, 50, None, 50),
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
        [("weak", "none", "10:00", "10:03", None, 84, None, 84)],
    ),
    Scenario(
        "lamp's counter advanced by the whole gap, dose at peak under target before it",
        [well("10:00", "10:09") + one("10:09", **WELL, H=5000.1234, DP=39.0)
         + one("12:00", **WELL, H=5001.9734, DP=45.0) + one("12:01", **WELL)],
        [
            ("lit", "none", "10:00", "10:12", 0, 0, 0, 0),
            ("unheard", "unknown", "10:12", "12:00", None, 3024, 0, 3024),
            ("lit", "none", "12:00", "12:01", 0, 0, 0, 0),
        ],
    ),
    Scenario(
        "a counter that runs while the lamp is said to be off proves nothing",
        [out("10:00", "10:01", power=True, H=5000.1234, DP=45.0) + one("12:00", **WELL, H=5002.1234, DP=45.0)
         + one("12:01", **WELL)],
        [
            ("dark", "no-lamp", "10:00", "10:03", 0, 0, 0, 0),
            ("unheard", "unknown", "10:03", "12:00", None, 3276, None, 3276),  # 117 min x 28 L/min
            ("lit", "none", "12:00", "12:01", 0, 0, 0, 0),
        ],
    ),
    Scenario(
        "lamp's counter advanced by the whole gap, but the lamp is off after it",
        [well("10:00", "10:01", H=5000.1234, DP=45.0)
         + out("12:00", "12:02", power=True, H=5002.1234, DP=45.0)],
        [
            ("lit", "none", "10:00", "10:03", 0, 0, 0, 0),
            ("unheard", "unknown", "10:03", "12:00", None, 3276, 0, 3276),
            ("dark", "no-lamp", "12:00", "12:01", 0, 0, 0, 0),
        ],
    ),
]
