"""Which unit an address leads to: never another's than the one that it names."""

from __future__ import annotations

from dataclasses import replace

import pytest

from dashboard.chosen import Asked, addressed, full_name, unknown_words, worse_words
from dashboard.text import markup
from ingest.queries import UnitStatus, worst_first
from models.fleet import Cabin, Fleet, Unit
from models.verdict import Word
from tests.dashboard.text.test_verdicts import REACTOR, status

UNITS = ("dock", "main", "annex", "sauna")


def place(slug: str, *units: str) -> Cabin:
    made = tuple(Unit(slug=one, reactor="annular-40", uvt_pct=82, peak_flow_l_min=19) for one in units)
    return Cabin(slug=slug, name=slug.title(), time_zone="America/Toronto", latitude=45, longitude=-79, units=made)


FLEET = Fleet(
    reactors=(REACTOR,), cabins=(place("heron-point", *UNITS), place("otter-cove", "main"), place("bare")))


def judged(**verdicts: Word) -> list[UnitStatus]:
    """Heron Point's units with these verdicts and Otter Cove's at boil, worst first as the store has them."""
    cabin = FLEET.cabin("heron-point")
    base = status("Heron Point", Word.CLEAR)
    found = [
        replace(base, cabin=cabin, unit=FLEET.unit("heron-point", unit),
                verdict=replace(base.verdict, verdict=word)) for unit, word in verdicts.items()]
    other = FLEET.cabin("otter-cove")
    found.append(replace(
        base, cabin=other, unit=other.units[0], verdict=replace(base.verdict, verdict=Word.BOIL), heard=True))
    return worst_first(found)


@pytest.mark.parametrize(("verdicts", "opens_at"), [
    ({"dock": Word.CLEAR, "main": Word.WATCH, "annex": Word.SILENT, "sauna": Word.BOIL}, "sauna"),
    ({"dock": Word.CLEAR, "main": Word.WATCH, "annex": Word.SILENT}, "annex"),
    ({"dock": Word.CLEAR, "main": Word.WATCH}, "main"),
    ({"dock": Word.CLEAR}, "dock"),
])
def test_a_cabin_without_a_unit_opens_at_its_worst_boil_before_silent_before_watch_before_clear(verdicts, opens_at):
    assert addressed(Asked("heron-point"), FLEET, judged(**verdicts)) == ("heron-point", opens_at)


def test_a_unit_that_is_named_is_the_one_that_opens_however_it_stands():
    found = judged(dock=Word.BOIL, main=Word.CLEAR)
    assert addressed(Asked("heron-point", "main"), FLEET, found) == ("heron-point", "main")


def test_an_address_that_names_nothing_leads_to_the_worst_of_all():
    found = judged(dock=Word.CLEAR)
    assert addressed(Asked(), FLEET, found) == ("otter-cove", "main")


def test_a_cabin_enrolled_a_moment_ago_opens_before_its_first_verdict():
    assert addressed(Asked("heron-point"), FLEET, []) == ("heron-point", "dock")


@pytest.mark.parametrize(("asked", "words"), [
    (Asked("nowhere"), "No cabin 'nowhere' is enrolled"),
    (Asked("nowhere", "main"), "No cabin 'nowhere' is enrolled"),
    (Asked("Heron-Point", "main"), "No cabin 'Heron-Point' is enrolled"),
    (Asked("heron-point", "attic"), "Cabin 'heron-point' has no unit 'attic'"),
    (Asked("", "main"), "The address names a unit 'main' and no cabin"),
    (Asked("bare"), "Cabin 'bare' has no unit yet"),
])
def test_what_is_not_enrolled_leads_nowhere_and_the_words_say_what_is_wrong(asked, words):
    assert addressed(asked, FLEET, judged(dock=Word.BOIL)) is None
    assert unknown_words(asked, FLEET) == words


def test_a_name_without_end_in_an_address_is_cut_where_it_is_shown():
    assert len(unknown_words(Asked("x" * 5000), FLEET)) < 100


def test_an_address_is_read_and_written_the_same_way():
    assert Asked.of({"cabin": "a", "unit": "b", "embed": "true"}).parameters == {"cabin": "a", "unit": "b"}
    assert Asked.of({"cabin": "a"}).parameters == {"cabin": "a"} and Asked.of({}).parameters == {}


def test_a_worse_unit_of_the_same_cabin_is_named_beside_a_better_one():
    found = judged(dock=Word.CLEAR, main=Word.BOIL, annex=Word.SILENT, sauna=Word.WATCH)
    here = {one.unit.slug: one for one in found if one.cabin.slug == "heron-point"}
    assert worse_words(here["dock"], here.values()) == (
        "This page is about dock only. In the same cabin main is at boil and annex is silent.")
    assert worse_words(here["annex"], here.values()) == (
        "This page is about annex only. In the same cabin main is at boil.")
    assert worse_words(here["main"], here.values()) == ""


def test_whose_form_it_is_says_the_unit_also_where_the_cabin_has_only_one():
    assert full_name(FLEET.cabin("otter-cove"), "main") == "Otter-Cove, main"


def test_a_name_in_a_label_is_no_markdown():
    assert markup.plain_label("Record for **Bay** [x](http://a) :red[y] $z$, main") == (
        "Record for \\*\\*Bay\\*\\* \\[x\\](http\\:\u2060//a) \\:red\\[y\\] \\$z\\$, main")
