"""What a laboratory's result means: never milder for more germs; what was not tested is never taken for none."""

from __future__ import annotations

import math

import pytest
from hypothesis import given
from hypothesis import strategies as st

from models.advisory.laboratory import (
    LaboratoryPolicy,
    LaboratoryResult,
    Outcome,
    Uncounted,
    found_words,
    meaning,
    read_count,
)

RANK = list(Outcome)
POLICY = LaboratoryPolicy()
counts = st.one_of(st.floats(0, 2000), st.integers(0, 12).map(float), st.sampled_from(Uncounted))


def outcome(policy=POLICY, **found):
    return policy.outcome(LaboratoryResult(**found))


@pytest.mark.parametrize(("found", "means"), [
    ({"e_coli": 0}, Outcome.INCOMPLETE),  # other coliforms may be there
    ({"total_coliforms": 0}, Outcome.SATISFACTORY),  # E. coli are coliforms
    ({"total_coliforms": 3}, Outcome.SAMPLE_AGAIN),
    ({"e_coli": 0.5, "total_coliforms": 0}, Outcome.SAMPLE_AGAIN),  # a most probable number below 1 is not none
    ({"e_coli": "est"}, Outcome.UNSATISFACTORY),
    ({"told": "satisfactory"}, Outcome.SATISFACTORY),
    ({"told": "unsatisfactory"}, Outcome.UNSATISFACTORY),
])
def test_what_was_not_counted_is_never_taken_for_none(found, means):
    if "told" in found:
        found = {"told": Outcome(found["told"])}
    assert outcome(**found) is means


@given(e_coli=st.none() | counts, coliforms=counts, more=st.floats(0, 500))
def test_more_germs_never_mean_less(e_coli, coliforms, more):
    known = {"e_coli": e_coli, "total_coliforms": coliforms}
    least = RANK.index(outcome(**known))
    for name, count in known.items():
        if isinstance(count, float):
            assert RANK.index(outcome(**{**known, name: count + more})) >= least
            assert outcome(**{**known, name: Uncounted.OVERGROWN}) is Outcome.UNSATISFACTORY
        if count not in (0.0, None):
            assert outcome(**known) in (Outcome.SAMPLE_AGAIN, Outcome.UNSATISFACTORY)


@given(found=st.fixed_dictionaries({"e_coli": counts, "total_coliforms": counts}), limit=st.floats(0.1, 6))
def test_a_stricter_fleet_never_takes_a_result_for_better(found, limit):
    strict = LaboratoryPolicy(total_coliforms_raises_at=limit)
    assert RANK.index(outcome(strict, **found)) >= RANK.index(outcome(**found))


def test_a_fleet_with_no_coliforms_at_all_raises_at_the_first():
    assert outcome(LaboratoryPolicy(total_coliforms_raises_at=1), total_coliforms=1) is Outcome.UNSATISFACTORY


@pytest.mark.parametrize(("name", "value"), [
    ("e_coli_raises_at", 2), ("e_coli_raises_at", 0), ("total_coliforms_raises_at", 7),
    ("total_coliforms_raises_at", math.nan), ("total_coliforms_raises_at", True), ("e_coli_raises_at", "1")])
def test_a_fleet_is_never_looser(name, value):
    with pytest.raises(ValueError, match=rf"{name} must be a number above 0 and at most"):
        LaboratoryPolicy(**{name: value})


@pytest.mark.parametrize(("written", "count"), [
    ("12", 12.0), (" 0 ", 0.0), (3, 3.0), ("4.1", 4.1), ("EST", "est"), ("O/G", "overgrown"), ("", None),
    (None, None),
])
def test_a_count_is_read_as_a_report_writes_it(written, count):
    assert read_count("e_coli", written) == count


@pytest.mark.parametrize("written", ["-1", "nan", "inf", "<1", ">80", "few", True])
def test_what_is_no_count_is_refused_with_what_is_allowed(written):
    with pytest.raises(ValueError, match="e_coli must be a count per 100 mL of at least 0, 'est' or 'overgrown'"):
        read_count("e_coli", written)


@pytest.mark.parametrize("found", [{}, {"e_coli": 0, "told": Outcome.SATISFACTORY}, {"told": Outcome.SAMPLE_AGAIN}])
def test_a_result_says_one_thing(found):
    with pytest.raises(ValueError, match=r"give one of the two|told must be"):
        LaboratoryResult(**found)


@pytest.mark.parametrize(("found", "words"), [
    ({"e_coli": 12, "total_coliforms": 30},
     "Not satisfactory, unsafe to drink unboiled: E. coli 12, total coliforms 30 per 100 mL. E. coli of 1 or more "
     "says that faeces have got into the water."),
    ({"e_coli": 1, "total_coliforms": 2}, "E. coli of 1 or more says that faeces have got into the water."),
    ({"e_coli": 0, "total_coliforms": 6}, "The limit is below 6 total coliforms."),
    ({"e_coli": "est", "total_coliforms": 5}, "unboiled: E. coli only estimated, total coliforms 5 per 100 mL. A"),
    ({"e_coli": "o/g", "total_coliforms": "o/g"}, "unboiled: E. coli overgrown, total coliforms overgrown. A"),
    ({"told": Outcome.SATISFACTORY}, "Satisfactory: no count given."),
    ({"e_coli": 0, "total_coliforms": "overgrown"}, "A plate that cannot be counted does not show that"),
    ({"e_coli": 0, "total_coliforms": 3}, "Have a second sample tested."),
    ({"e_coli": 0}, "Have total coliforms tested too; until then it counts for nothing."),
    ({"total_coliforms": 0}, "Satisfactory: E. coli not tested, total coliforms 0 per 100 mL."),
])
def test_a_result_is_told_in_plain_words_with_its_numbers(found, words):
    told = meaning(LaboratoryResult(**found), POLICY)
    assert words in told
    assert found_words(LaboratoryResult(**found)) in told


def test_a_result_told_in_words_alone_is_no_less_unsafe():
    told = meaning(LaboratoryResult(told=Outcome.UNSATISFACTORY), POLICY)
    assert told == "Not satisfactory: unsafe to drink unboiled."
