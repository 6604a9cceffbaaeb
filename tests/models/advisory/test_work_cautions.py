"""Each work has its cautions, once and in order, each with its source; whatever names a work is sorted."""

from __future__ import annotations

import re
from dataclasses import replace

import pytest
from hypothesis import given
from hypothesis import strategies as st

from ingest.actions import SERVICE_KINDS
from ingest.outlook.visit_tasks import WORK_MIN
from models.advisory.notice import AFTER_LIFTING, AFTER_LIFTING_WORKS
from models.advisory.work_cautions import (
    BLEACH,
    CAUTIONS,
    RECORD_WORKS,
    TASK_WORKS,
    UNIT,
    Work,
    brief,
    cautions,
    sentences,
    works_of_tasks,
)
from models.lamp.diagnosis import Action
from models.verdict import verdict
from tests.models.test_verdict import CASES, GOOD, NOW, open_advisory
from tests.work_mentions import bare

POWER, LOOK, DRY, PRESSURE = "power off and unplugged", "Never look at a lit lamp", "floor dry", "pressure out"
COOL, QUARTZ, DOSED = "cool. Hold it by its ends", "Quartz breaks", "dosed again, or chlorinated and flushed"
MERCURY, VACUUM = "holds mercury", "no vacuum cleaner"
SCALDS, HEATER = "60 C (140 F) and more scalds in seconds", "Heater off before a tank"
ACIDS, AIR = "Never mix bleach with acids, ammonia", "air the room"


@pytest.mark.parametrize(("work", "words"), [
    (Work.SEE_IF_LIT, (LOOK,)),
    (Work.SWAP_LAMP, (POWER, LOOK, DRY, PRESSURE, COOL, QUARTZ, MERCURY, VACUUM, DOSED, "gloves", "keep it dry")),
    (Work.CLEAN_SLEEVE, (POWER, LOOK, DRY, PRESSURE, COOL, QUARTZ, MERCURY, VACUUM, DOSED, "local rules")),
    (Work.OPEN_HOUSING, (POWER, LOOK, DRY, PRESSURE, DOSED)),
    (Work.CHECK_SENSOR, (POWER, LOOK, DRY, PRESSURE, DOSED)),
    (Work.CHECK_VALVE, (POWER, LOOK, DRY, PRESSURE, DOSED, "keeps no water back")),
    (Work.BALLAST, (POWER, LOOK, DRY)),
    (Work.FLUSH_HOT, (SCALDS,)),
    (Work.HEAT, (SCALDS, "relief valve", "mains voltage", "no child", "hotter: tell all")),
    (Work.DRAIN_TANK, (HEATER, SCALDS, "breaker", "gas at its valve", "drain scalds")),
    (Work.CHLORINATE, (ACIDS, AIR, "goggles and gloves", "health authority")),
    (Work.FILL_WITH_BLEACH, (ACIDS, AIR, "water heater off", "septic")),
])
def test_each_work_has_its_cautions(work: Work, words: tuple[str, ...]) -> None:
    told = " ".join(sentences({work}))
    assert [one for one in words if one not in told] == []


def test_each_caution_is_held_once_belongs_to_a_work_and_says_where_it_comes_from() -> None:
    assert len({one.words for one in CAUTIONS}) == len(CAUTIONS)
    for one in CAUTIONS:
        assert one.works and re.match(r"seen: S\d+|from memory|common practice, no source$", one.source), one
        assert all(len(part.split()) <= 26 for part in re.split(r"[.:;] ", one.words)), one.words


@given(st.lists(st.sampled_from(list(Work))))
def test_power_off_comes_first_the_order_is_fixed_and_none_comes_twice(works: list[Work]) -> None:
    found = sentences(works)
    assert len(set(found)) == len(found) and found == sentences(reversed(works)) == sentences(works * 2)
    assert bool(found) == bool(works)
    if UNIT & set(works):
        assert POWER in found[0] and LOOK in found[1]
    assert set(sentences(works, afterwards=True)) <= set(found)
    singles = {one for work in works for one in sentences({work})}
    assert set(found) == singles


def test_no_sentence_names_a_work_whose_cautions_it_lacks() -> None:
    for one in CAUTIONS:
        if "drain" in one.words:
            assert one.works <= {Work.DRAIN_TANK, Work.FILL_WITH_BLEACH}


def test_every_task_action_and_kind_of_record_is_sorted() -> None:
    assert set(WORK_MIN) <= set(TASK_WORKS) and {str(one) for one in Action} - {"none"} <= set(TASK_WORKS)
    assert set(RECORD_WORKS) <= set(SERVICE_KINDS)
    assert set(SERVICE_KINDS) - set(RECORD_WORKS) == {"water-tested", "flushed", "sampled", "note"}


def test_a_task_is_read_with_its_units_name_and_its_condition() -> None:
    assert works_of_tasks(["annex: swap lamp unless it then reads 31 W/m2 or more"]) == {Work.SWAP_LAMP}
    assert works_of_tasks(["clean sleeve", "change filter"]) == {Work.CLEAN_SLEEVE, Work.OPEN_HOUSING}
    assert works_of_tasks(["test water"]) == works_of_tasks([]) == frozenset()


def test_a_task_that_nobody_sorted_carries_all_cautions_of_the_unit() -> None:
    assert works_of_tasks(["mend the quench valve"]) == UNIT


def test_once_the_work_is_done_only_what_still_holds_is_said() -> None:
    told = " ".join(sentences(RECORD_WORKS["lamp-swapped"], afterwards=True))
    assert DOSED in told and "old lamp" in told and POWER not in told
    assert "Nobody drinks" in " ".join(sentences(BLEACH, afterwards=True))


def test_a_message_gets_the_gravest_in_one_short_sentence() -> None:
    for works in ({Work.SWAP_LAMP, Work.CLEAN_SLEEVE, Work.BALLAST}, {Work.FLUSH_HOT, Work.CHLORINATE}):
        assert brief(works).startswith("Take care: ") and len(brief(works)) <= 180
    assert brief(()) == ""


def test_what_is_to_be_done_after_lifting_has_its_cautions() -> None:
    assert bare(" ".join(AFTER_LIFTING)) != []
    assert bare(" ".join([*AFTER_LIFTING, *sentences(AFTER_LIFTING_WORKS)])) == []


# The cautions of a verdict cover all that its action and its reasons name.
@pytest.mark.parametrize("change", [one[0] for one in CASES] + [
    {"advisory": open_advisory()}, {"advisory": open_advisory(), "last_heard": None}, {"lamp_hours": 9001.0},
    {"flow_l_min": 0.0, "dose_tap_low_mj_cm2": 12.0}, {"tail_bad_since": NOW},
], ids=str)
def test_a_verdict_names_no_work_without_its_cautions(change: dict) -> None:
    found = verdict(replace(GOOD, **change), now=NOW)
    assert bare(" ".join([*found.reasons, found.next_action, *sentences(found.works)])) == []


def test_a_clear_tap_carries_no_caution_of_any_work() -> None:
    assert verdict(GOOD, now=NOW).works == frozenset()


def test_the_reader_of_words_finds_what_lacks_its_cautions() -> None:
    for said in ("swap lamp", "Clean the sleeve by today", "check sensor against a reference", "change filter",
                 "have lamp, sleeve and water checked", "Run every hot tap", "flush_hot, disinfect",
                 "Drain and refill a water heater", "Plumbing disinfected with chlorine",
                 "Ask somebody whether there is power and the lamp is lit."):
        assert bare(said), said
    assert bare("The lamp was swapped; nothing to do.") == []


def test_cautions_are_the_same_objects_as_their_sentences() -> None:
    assert tuple(one.words for one in cautions({Work.HEAT})) == sentences({Work.HEAT})
