"""What an output may not say without its cautions: works as people would read them, told apart by words alone.

Kept apart from the program's own tables on purpose: it reads text, as whoever works by it does.
"""

from __future__ import annotations

import re

OPENED = ("power off and unplugged", "lit lamp")
LAMP = (*OPENED, "mercury")
# What is said, and the words of which each set of alternatives must stand beside it (in any case of letters).
MENTIONS: tuple[tuple[str, tuple[str, ...]], ...] = (
    (r"swap (the )?lamp|bring a new lamp", (*LAMP, "pressure")),
    (r"clean (the )?sleeve", (*LAMP, "pressure", "quartz", "dosed again")),
    (r"(lamp, (ballast, )?sleeve|lamp seen to)", LAMP),
    (r"check (the |lamp, flow|sensor).{0,20}(sensor|against|intensity)|have the sensor checked",
     (*OPENED, "pressure")),
    (r"change (the |sediment )*filter|replace filter", ("power off and unplugged", "pressure")),
    (r"valve looked at|look at the (shut-off )?valve", (*OPENED, "pressure", "keeps no water back")),
    (r"see why nothing is heard|(whether|check that) .{0,30}lamp is lit", ("lit lamp",)),
    (r"every hot tap|hot taps? (for )?1\d|hot tank and hot pipes cleaned|flush_hot", ("scald",)),
    (r"flush the hot tank|rinse the chlorine", ("scald",)),
    (r"drain and refill|drain the hot tank|refill the tank", ("heater off",)),
    (r"heat the (hot )?tank|set the heater", ("scald", "relief valve")),
    (r"disinfect(ed)? (the plumbing )?with chlorine|disinfect\b|bleach into", ("acids", "ammonia", "air the room")),
)


def bare(said: str) -> list[str]:
    """What this text asks for without the cautions of it."""
    low = " ".join(said.split()).lower()
    return [
        f"{found[0]!r} without {word!r}" for what, words in MENTIONS if (found := re.search(what, low))
        for word in words if word.lower() not in low]
