"""Topics of units' own: what a filter may be, whose a topic is, and that no two units share one.

Filters and which topics fit them: MQTT 3.1.1 (OASIS Standard), section 4.7, whose examples are checked here (from
memory); and the matching of paho-mqtt, the client library, as the reference.
"""

from __future__ import annotations

import pytest
from hypothesis import assume, example, given
from hypothesis import strategies as st
from paho.mqtt.client import topic_matches_sub

from models.doors import Topic, Topics, Value, overlap
from models.units import UNITS, unit_named

FLOW = Value(column="flow_l_min", unit="l/s")
LEVEL = st.sampled_from(["a", "b", "+"])


def topic(name: str, **more: object) -> Topic:
    return Topic(topic=name, values=(FLOW,), **more)


def filters() -> st.SearchStrategy[str]:
    return st.tuples(st.lists(LEVEL, min_size=1, max_size=4), st.booleans()).map(
        lambda found: "/".join([*found[0], *(["#"] if found[1] else [])]))


@given(filters(), st.lists(st.sampled_from(["a", "b"]), min_size=1, max_size=5).map("/".join))
@example("sport/tennis/player1/#", "sport/tennis/player1")  # 4.7.1.2: matches the parent too
@example("sport/tennis/player1/#", "sport/tennis/player1/score/wimbledon")
@example("sport/+", "sport")  # 4.7.1.3: does not match
@example("sport/+/player1", "sport/tennis/player1")
def test_a_topic_fits_a_filter_as_the_client_library_has_it(name, published):
    assert overlap(name, published) == topic_matches_sub(name, published)


@given(filters(), filters())
def test_two_filters_overlap_exactly_where_some_topic_fits_both(one, other):
    found = any(
        topic_matches_sub(one, published) and topic_matches_sub(other, published)
        for published in _all_topics())
    assert overlap(one, other) == overlap(other, one) == found


def _all_topics() -> list[str]:
    out, last = [], [""]
    for _ in range(6):  # a level more than any filter here has
        last = [f"{one}/{level}" if one else level for one in last for level in ("a", "b")]
        out += last
    return out


@given(st.lists(filters(), max_size=5, unique=True), st.sampled_from(_all_topics()))
def test_a_topic_is_of_one_unit_or_of_none(names, published):
    try:
        found = Topics.of(((f"cabin-{number}", "main"), topic(f"x/{name}")) for number, name in enumerate(names))
    except ValueError as error:
        assert "belongs to one unit" in str(error)
        assume(False)
    fits = [f"cabin-{number}" for number, name in enumerate(names) if topic_matches_sub(name, published)]
    told = found.at(f"x/{published}")
    assert ([told[0][0]] if told else []) == fits


@pytest.mark.parametrize("names", [
    ("x/a", "x/a"), ("x/+", "x/a"), ("x/a", "x/#"), ("x/+/b", "x/a/+"), ("x/#", "x")])
def test_topics_that_two_units_would_share_are_refused(names):
    with pytest.raises(ValueError, match=r"topic .* of unit b/main and .* of a/main fit the same topics"):
        Topics.of(((key, "main"), topic(name)) for key, name in zip("ab", names, strict=True))


@pytest.mark.parametrize(("name", "match"), [
    ("", "1 to 200 characters"), ("x" * 201, "1 to 200 characters"), ("a/b+", "whole levels"),
    ("a/#/b", "# as the last"), ("a b", "no space"), ("a/\x00", "no space and no control"), ("+/a", "begin with"),
    ("#", "begin with"), ("$SYS/x", "begin with"), ("tarnlight/heron-point/main/flow", "begin with")])
def test_what_is_no_topic_of_a_unit_is_refused(name, match):
    with pytest.raises(ValueError, match=match):
        topic(name)


@pytest.mark.parametrize(("made", "match"), [
    (lambda: Value(column="flow_l_min"), "unit of flow_l_min must be one of l/min"),
    (lambda: Value(column="flow_l_min", unit="bar"), "got 'bar'"),
    (lambda: Value(column="lamp_on", unit="V"), "unit of lamp_on must be left out"),
    (lambda: Value(column="pressure", unit="bar"), "column must be one of lamp_on, power_on, intensity_w_m2"),
    (lambda: Value(column="lamp_on", path="uv"), "JSON Pointer"),
    (lambda: Value(column="lamp_on", path="/a~2"), "JSON Pointer"),
    (lambda: Topic(topic="x", values=()), "at least one column"),
    (lambda: Topic(topic="x", values=(FLOW, FLOW)), "the column 'flow_l_min' twice"),
    (lambda: Topic(topic="x", values=(FLOW, Value(column="lamp_on"))), "the path '' twice"),
    (lambda: topic("x", time="/t"), "plain topic must be one, without time"),
    (lambda: Topic(topic="x", values=(Value(column="lamp_on", path="/l"),), time="/t", time_in="min"), "time_in"),
    (lambda: topic("x", device="A b"), "device must be")])
def test_a_mapping_that_guesses_or_contradicts_itself_is_refused(made, match):
    with pytest.raises(ValueError, match=match):
        made()


def test_a_unit_of_measure_goes_by_all_its_spellings():
    # 1 US gallon is 231 cubic inches of 2.54 cm (NIST SP 811, appendix B; from memory)
    assert UNITS["flow_l_min"][unit_named("GPM")][0] == pytest.approx(231 * 2.54**3 / 1000)
    assert Value(column="flow_l_min", unit="gpm", path="/f").unit == "gpm"
