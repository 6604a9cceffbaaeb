"""The collector's own clock, watched: the time that it gives while the system's jumps."""

from __future__ import annotations

from datetime import UTC, datetime, timedelta

from ingest.clock import Clock, OwnClock

START = datetime(2026, 11, 26, 12, 0, tzinfo=UTC)
UNITS = [("alder", "main"), ("birch", "main"), ("cedar", "main")]


class System(Clock):
    """A system's clock that can be set, and seconds that nobody sets."""

    passed_s = 0.0
    off_s = 0.0

    def now(self) -> datetime:
        return START + timedelta(seconds=System.passed_s + System.off_s)


def watched(off_s: float = 0.0, **given) -> OwnClock:
    System.passed_s, System.off_s = 0.0, off_s
    return OwnClock(System(), monotonic=lambda: System.passed_s, **given)


def tell(own: OwnClock, *units, after_s: float = 60.0, off_s: float = 0.0) -> None:
    """These units send what they read now, by clocks that are off by so much."""
    System.passed_s += after_s
    at = START + timedelta(seconds=System.passed_s + off_s)
    own.heard(dict.fromkeys(units, at))
    own.judge(len(UNITS))


def test_a_jump_does_not_move_the_time_until_it_is_borne_out():
    own = watched()
    own.judge(3)
    tell(own, *UNITS)
    System.off_s = 3 * 86_400.0
    System.passed_s += 1
    assert own.stepped
    assert own.now() == START + timedelta(seconds=61)
    assert own.judge(3)
    assert own.suspect
    System.passed_s += 10
    assert own.now() == START + timedelta(seconds=71)
    System.off_s = 0.0
    assert own.judge(3)
    assert not own.suspect
    assert own.now() == START + timedelta(seconds=71)


def test_a_clock_that_is_set_right_is_followed_as_soon_as_the_loggers_agree():
    own = watched(off_s=-3600.0)
    assert not own.judge(3)  # nobody was heard: nothing speaks against it
    tell(own, *UNITS)
    assert own.suspect
    assert own.suspect_since is not None
    System.off_s = 0.0
    assert own.judge(3)  # what was heard before says so already
    assert not own.suspect
    assert own.now() == START + timedelta(seconds=System.passed_s)


def test_after_a_pause_of_the_machine_the_loggers_bear_the_new_time_out():
    own = watched()
    tell(own, *UNITS)
    System.off_s = 7200.0  # to the seconds that nobody sets it looks like a jump
    own.judge(3)
    assert own.suspect
    tell(own, UNITS[0], off_s=7200.0)
    assert own.suspect
    tell(own, UNITS[1], off_s=7200.0)
    assert not own.suspect
    assert own.now() == START + timedelta(seconds=System.passed_s + 7200)


def test_a_backlog_does_not_hide_that_a_unit_is_ahead_and_a_clock_set_back_is_forgotten():
    own = watched(off_s=-3600.0)
    tell(own, *UNITS)
    own.heard(dict.fromkeys(UNITS, START - timedelta(days=1)))
    own.judge(3)
    assert own.suspect
    tell(own, *UNITS, after_s=700.0, off_s=-3600.0)  # now they say otherwise, and go on to
    assert not own.suspect


def test_who_was_heard_over_an_hour_ago_has_no_say_but_a_doubt_does_not_end_by_silence():
    own = watched()
    tell(own, UNITS[0], off_s=3600.0)
    tell(own, UNITS[1], after_s=3601.0, off_s=3600.0)
    assert not own.suspect  # each of them alone
    tell(own, UNITS[0], off_s=3600.0)
    assert own.suspect
    System.passed_s += 7200.0
    own.judge(3)
    assert own.suspect
    System.off_s = 3600.0
    own.judge(3)
    assert not own.suspect


def test_a_doubt_outlives_the_collector_until_loggers_bear_the_clock_out():
    own = watched(doubted="5 of 5 units were ahead of it")
    own.judge(3)
    assert own.reason == "5 of 5 units were ahead of it"
    tell(own, UNITS[0])
    assert own.suspect
    tell(own, UNITS[1])
    assert not own.suspect
    System.passed_s += 3601.0
    own.judge(3)
    assert not own.suspect


def test_it_goes_on_from_where_the_last_collector_left_it():
    own = watched()
    own.judge(3)
    left = own.basis_s
    System.off_s = -3600.0
    again = OwnClock(System(), basis_s=left, monotonic=lambda: System.passed_s)
    again.judge(3)
    assert again.suspect
    assert again.now() == START


def test_what_the_store_knows_of_counts_until_loggers_say_otherwise():
    own = watched(known_until=START + timedelta(hours=2))
    own.judge(3)
    assert own.suspect
    tell(own, *UNITS)
    assert not own.suspect
    System.passed_s += 3601.0
    own.judge(3)
    assert not own.suspect  # that time was written by a clock that ran ahead
