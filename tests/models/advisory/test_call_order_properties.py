"""Whatever happens and whoever is enrolled: what telling people must never do."""

from __future__ import annotations

from dataclasses import replace
from datetime import UTC, datetime, time, timedelta
from itertools import pairwise

from hypothesis import given, settings
from hypothesis import strategies as st

from models.advisory import Exposed, Exposure, Lifted, Proof, Raised, SampleFailed, Step, advance
from models.advisory.call_order import Told, after_quiet, first_tellings, follow_up
from models.advisory.notices_due import BOIL, notices_due
from models.fleet import Cabin, Contact, Role, Unit

START = datetime(2026, 10, 31, 20, tzinfo=UTC)  # the night in which Toronto's clocks go back
MIN = timedelta(minutes=1)
ROLES = [Role.MANAGER] * 4 + [Role.OWNER] * 2 + list(Role)  # blind chance seldom makes an order of one role
UNIT = Unit(slug="main", reactor="annular-40", uvt_pct=82.0, peak_flow_l_min=19.0)
CABIN = Cabin(slug="heron-point", name="Heron Point", time_zone="America/Toronto", latitude=45.4, longitude=-79.2,
              units=(UNIT,), altitude_m=320.0)
CLOCKS = st.times().map(lambda one: one.strftime("%H:%M"))


@st.composite
def contacts(draw):
    """A fleet's contacts, each name once a role, as the registry keeps them."""
    out = {}
    for _ in range(draw(st.integers(0, 7))):
        quiet = draw(st.one_of(st.just(("", "")), st.tuples(CLOCKS, CLOCKS)))
        role, name = draw(st.sampled_from(ROLES)), draw(st.sampled_from("abcd"))
        out[role, name] = Contact(
            name=name, role=role, order=draw(st.integers(1, 4)), quiet_from=quiet[0], quiet_until=quiet[1],
            cabins=draw(st.sampled_from([(), ("heron-point",), ("elsewhere",)])),
            channels=draw(st.sampled_from([(), ("A",), ("A", "B"), ("A", "A")])))
    return tuple(out.values())


@st.composite
def records(draw):
    """A record and, between its events, minutes that pass."""
    steps = (Step.POWER_STABLE, Step.FLUSH_COLD, Step.DISINFECT, Step.NOTICE_REMOVED)

    def exposure(at):
        return Exposure(cause=draw(st.sampled_from(["power-cut", "lamp-failure"])), start=START, end=at)

    at = START
    events = [Raised(at=at, exposure=exposure(at), severity="untreated", steps=steps)]
    standing = advance(None, events[0])
    for kind in draw(st.lists(st.sampled_from(["exposed", "proof", "unproof", "failed"]), max_size=8)):
        at += draw(st.sampled_from([0, 1, 7, 20, 45, 200])) * MIN
        match kind:
            case "exposed":
                event = Exposed(at=at, exposure=exposure(at), severity="untreated", steps=steps)
            case "failed":
                event = SampleFailed(at=at, by="Ann")
            case _:
                event = Proof(at=at, step=draw(st.sampled_from([Step.POWER_STABLE, Step.FLUSH_COLD])),
                              done=kind == "proof", evidence="measured")
        standing = advance(standing, event)
        events.append(event)
    if draw(st.booleans()):
        events.append(Lifted(at=at + 30 * MIN, by="Ann", reason="tested"))
    return events


def lived(events, people, *, deliver, confirm_after, look_again=False):
    """All that is put in line when the record is looked at every 5 minutes, as the collector does."""
    line, seen, found, fresh = {}, 0, (), ()
    ends = events[-1].at + timedelta(hours=4)
    now = START
    confirmed = None

    def put(due):
        for one in due:
            assert one.key not in line, f"worked out twice: {one.key}"
            line[one.key] = one

    def said():
        return [Told(event=one.event, contact=one.contact, role=one.role, channel=one.channel, number=one.number,
                     due_at=one.due_at, delivered_at=one.due_at if deliver and one.due_at <= now else None)
                for one in line.values()]

    while now <= ends:
        known = [(seq, one) for seq, one in enumerate(events, start=1) if one.at <= now]
        if len(known) != seen:  # the words depend on the record alone
            found = notices_due("a1", CABIN, "main", known)
            fresh = notices_due("a1", CABIN, "main", known, after=seen)
        for one in fresh:
            put(first_tellings(one, people, told=said(), now=now))
        fresh, seen = (), len(known)
        if confirm_after is not None and now >= START + confirm_after:
            confirmed = confirmed or now
        asked = [one for one in found if one.kind in BOIL]
        if asked:
            put(follow_up(asked[-1], people, told=said(), confirmed_at=confirmed, now=now))
            if look_again:
                assert follow_up(asked[-1], people, told=said(), confirmed_at=confirmed, now=now) == ()
        now += 5 * MIN
    return list(line.values())


CONFIRM = st.sampled_from([None, timedelta(0), timedelta(minutes=20), timedelta(hours=3)])
LIVED = {"events": records(), "people": contacts(), "deliver": st.booleans(), "confirm_after": CONFIRM}


@settings(max_examples=40, deadline=None)
@given(**LIVED)
def test_a_boil_advisory_is_never_held_back_by_quiet_hours(events, people, deliver, confirm_after):
    def boil(readers):
        found = lived(events, readers, deliver=deliver, confirm_after=confirm_after)
        return {one.key: one.due_at for one in found if one.kind in BOIL}

    awake = tuple(replace(one, quiet_from="", quiet_until="") for one in people)
    assert boil(people) == boil(awake)


@settings(max_examples=40, deadline=None)
@given(**LIVED)
def test_no_message_is_put_in_line_twice_and_none_is_due_in_the_readers_quiet_hours_unless_it_says_boil(
    events, people, deliver, confirm_after
):
    found = lived(events, people, deliver=deliver, confirm_after=confirm_after)  # asserts each key once
    for one in found:
        who = next((each for each in people if each.name == one.contact and each.role == one.role), None)
        if who is None or one.kind in BOIL or not who.quiet_from or who.quiet_from == who.quiet_until:
            continue
        clock = one.due_at.astimezone(CABIN.zone).time()
        start, end = time.fromisoformat(who.quiet_from), time.fromisoformat(who.quiet_until)
        assert not (start <= clock < end if start < end else clock >= start or clock < end)


@settings(max_examples=40, deadline=None)
@given(**LIVED)
def test_looking_twice_at_one_instant_finds_nothing_more(events, people, deliver, confirm_after):
    lived(events, people, deliver=deliver, confirm_after=confirm_after, look_again=True)  # asserts it at each look


@settings(max_examples=40, deadline=None)
@given(**LIVED)
def test_calls_go_up_in_order_and_a_quarter_of_an_hour_apart(events, people, deliver, confirm_after):
    found = lived(events, people, deliver=deliver, confirm_after=confirm_after)
    for event in {one.event for one in found if one.kind in BOIL}:
        for role in (Role.OWNER, Role.MANAGER):
            orders = {one.name: one.order for one in people if one.role is role}
            calls = [(orders[one.contact], one.due_at, bool(one.channel)) for one in found
                     if one.role == role and one.contact and one.event == event and one.number == 1]
            if not event.startswith("a1:raised:"):
                continue  # whoever was drawn in before hears of what is new at once
            calls.sort()
            for (order, at, _), (next_order, next_at, _) in pairwise(calls):
                assert at <= next_at
                reachable = any(has for o, _, has in calls if o == order)
                if next_order > order and reachable:
                    assert next_at >= at + 15 * MIN


@settings(max_examples=40, deadline=None)
@given(**LIVED)
def test_nobody_is_asked_again_after_a_confirmation_or_the_end(events, people, deliver, confirm_after):
    found = lived(events, people, deliver=deliver, confirm_after=timedelta(0))
    assert all(one.number == 1 for one in found if one.event == "a1:raised:1")
    lifted = [one.at for one in events if isinstance(one, Lifted)]
    if lifted:
        free = lived(events, people, deliver=deliver, confirm_after=confirm_after)
        assert all(one.due_at <= lifted[0] + 5 * MIN for one in free if one.kind in BOIL and one.number > 1)


@given(contacts(), st.integers(0, 3 * 1440))
def test_quiet_hours_only_ever_delay_and_by_less_than_a_day_and_an_hour(people, minute):
    at = START + minute * MIN
    for one in people:
        then = after_quiet(one, at, CABIN.zone)
        assert at <= then < at + timedelta(hours=25)
        assert after_quiet(one, then, CABIN.zone) == then
