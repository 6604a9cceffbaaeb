"""Records of service that were wrong: withdrawn or corrected by name, by command, and what follows."""

from __future__ import annotations

from datetime import UTC, datetime, timedelta
from pathlib import Path
from typing import Any
from zoneinfo import ZoneInfo

import duckdb
import pytest

from ingest.evaluation.evaluate import evaluate
from ingest.settings import BadInput
from ingest.store import Store
from tests.ingest.drawn_log import HERON, drawn_log, hours, refused, run, told
from tests.ingest.ingest_streams import commit, steady

BY = ("--by", "Bo Dahl", "--reason", "typed wrong")


@pytest.fixture
def drawn(held: Store) -> Path:
    """Six hours of a lit lamp, in one of which 19 L/min were drawn, and a little every minute since."""
    return drawn_log(held, since_l_min=1.0)


def record(path: Path, kind: str, at: datetime, value: float | None = None, who: str = "Ann Lund") -> str:
    """Its id."""
    words = [] if value is None else ["--value", f"{value}"]
    said = run(path, "service", "record", kind, *HERON, "--at", at.isoformat(), "--who", who, *words)
    return said.splitlines()[0].rsplit("id ", 1)[1]


def listed(path: Path) -> dict[str, dict[str, Any]]:
    return {one["id"]: one for one in told(path, "service", "list", "--cabin", "heron-point")}


def weak_l(path: Path) -> float:
    found = told(path, "outages", "--cabin", "heron-point")
    return sum(one["underdosed_l"] for one in found if one["kind"] == "weak")


def heron(path: Path) -> dict[str, Any]:
    return next(one for one in told(path, "status") if one["cabin"] == "heron-point")


def steps(path: Path, number: str) -> dict[str, bool]:
    return {one["code"]: one["done"] for one in told(path, "advisory", "show", number)[0]["steps"]}


def test_a_wrong_water_test_is_withdrawn_doses_come_back_and_the_advisory_stays_with_a_ready_reason(
    drawn: Path
) -> None:
    number = record(drawn, "water-tested", hours(5.5), 25.0)  # below what the reactor was tested at
    assert weak_l(drawn) > 1000 and heron(drawn)["verdict"] == "boil"
    before = heron(drawn)["advisory"]
    run(drawn, "service", "withdraw", number[:8], *BY)
    assert weak_l(drawn) == 0.0
    one = heron(drawn)
    assert (one["verdict"], one["advisory"]["id"]) == ("boil", before["id"])
    # flushed litres and minutes of dose are counted from the withdrawal on: none of before come back as a proof
    done = steps(drawn, before["id"])
    assert not done["dose_back"] and not done["flush_cold"] and not done["flush_hot"]
    [shown] = told(drawn, "advisory", "show", before["id"])
    [reason] = shown["ready_reasons"]
    assert reason.startswith("withdrawn since: water-tested 25 of") and "by Bo Dahl: typed wrong" in reason
    assert f"ready as a reason at the lift: {reason}" in run(drawn, "advisory", "show", before["id"])
    assert "undone" in refused(drawn, "advisory", "lift", before["id"], "--by", "Ann Lund")
    run(drawn, "advisory", "lift", before["id"], "--by", "Ann Lund", "--reason", reason)
    assert heron(drawn)["verdict"] == "clear"


def test_a_test_of_clearer_water_that_took_dose_away_is_a_ready_reason_too(held: Store) -> None:
    """Its sensor sits at the wall: the same reading in clearer water is a weaker lamp (Beer and Lambert)."""
    last = held.now().replace(second=0, microsecond=0)
    commit(held, steady(last - timedelta(minutes=360), 361, flow_l_min=19.0, intensity_w_m2=48.0))
    evaluate(held.con, last + timedelta(seconds=30))
    held.close()
    assert heron(held.path)["verdict"] == "clear"
    number = record(held.path, "water-tested", last - timedelta(minutes=330), 99.9)
    raised = heron(held.path)
    assert raised["verdict"] == "boil" and raised["advisory"]
    assert "the withdrawal is a reason to give then" in run(held.path, "service", "withdraw", number, *BY)
    [shown] = told(held.path, "advisory", "show", raised["advisory"]["id"])
    [reason] = shown["ready_reasons"]
    assert reason.startswith("withdrawn since: water-tested 99.9 of")


def test_a_withdrawn_record_stays_to_be_read_and_says_that_it_counts_no_longer(drawn: Path) -> None:
    number, other = record(drawn, "lamp-swapped", hours(3)), record(drawn, "sleeve-cleaned", hours(3))
    said = run(drawn, "service", "withdraw", number, *BY)
    assert f"withdrawn: record {number}, by Bo Dahl" in said
    found = listed(drawn)
    assert found[other]["withdrawn"] is None
    assert found[number]["withdrawn"]["by"] == "Bo Dahl" and found[number]["withdrawn"]["reason"] == "typed wrong"
    text = run(drawn, "service", "list", "--cabin", "heron-point")
    assert "WITHDRAWN by Bo Dahl (typed wrong), counts no longer: lamp-swapped by Ann Lund" in text
    month = f"{hours(3).astimezone(ZoneInfo('America/Toronto')):%Y-%m}"
    [report] = told(drawn, "report", "--cabin", "heron-point", "--month", month)
    gone = {one["id"]: one["withdrawn"] is not None for one in report["service"]}
    assert gone == {number: True, other: False}
    [lamp] = [one for one in told(drawn, "lamps") if one["cabin"] == "heron-point"]
    assert lamp["lamp_swapped_on"] == "2026-04-18"  # the registry's date again


def test_the_record_is_append_only(drawn: Path) -> None:
    number = record(drawn, "water-tested", hours(1), 84.0)
    new = run(drawn, "service", "correct", number, *BY, "--value", "88").splitlines()[0].split()[2]
    con = duckdb.connect(str(drawn), read_only=True)
    kept = con.execute("SELECT id::VARCHAR, value, note FROM service_event ORDER BY recorded_at").fetchall()
    assert kept == [(number, 84.0, ""), (new, 88.0, "")]
    assert con.execute("SELECT id::VARCHAR FROM service_done").fetchall() == [(new,)]
    con.close()
    assert "was withdrawn by Bo Dahl" in refused(drawn, "service", "withdraw", number, *BY)
    assert "was withdrawn by Bo Dahl" in refused(drawn, "service", "correct", number, *BY, "--value", "90")


def test_a_corrected_record_has_all_else_as_it_was(drawn: Path) -> None:
    number = record(drawn, "lamp-swapped", hours(2))
    wrong_year = hours(365 * 24)
    said = run(drawn, "service", "correct", number, *BY, "--at", wrong_year.isoformat(), "--note", "serial 4711")
    assert f"stands in place of {number}" in said
    [new] = [one for one in listed(drawn).values() if one["withdrawn"] is None]
    assert (new["kind"], new["who"], new["note"], new["cabin"]) == (
        "lamp-swapped", "Ann Lund", "serial 4711", "heron-point")
    assert datetime.fromisoformat(new["at"]) == wrong_year
    assert listed(drawn)[number]["withdrawn"]["replaced_by"] == new["id"]
    assert "CORRECTED by Bo Dahl" in run(drawn, "service", "list")
    assert "nothing would change" in refused(drawn, "service", "correct", new["id"], *BY)


def test_a_refused_correction_changes_nothing(drawn: Path) -> None:
    number = record(drawn, "water-tested", hours(1), 84.0)
    assert "at most 100" in refused(drawn, "service", "correct", number, *BY, "--value", "120")
    record(drawn, "water-tested", hours(1), 86.0)
    # the right record is there already: it is not stored twice, and the wrong one stands until it is withdrawn
    assert "recorded already" in refused(drawn, "service", "correct", number, *BY, "--value", "86")
    assert [one["withdrawn"] for one in listed(drawn).values()] == [None, None]


def test_a_good_check_that_is_withdrawn_acts_at_once_on_the_doses_that_it_had_spared(drawn: Path) -> None:
    record(drawn, "sensor-checked", hours(2), 1.4)
    first = heron(drawn)["advisory"]["id"]
    run(drawn, "advisory", "lift", first, "--by", "Ann Lund", "--reason", "for the test")
    good = record(drawn, "sensor-checked", hours(3.9), 1.0)
    assert weak_l(drawn) == 0.0
    run(drawn, "service", "withdraw", good, *BY)
    assert weak_l(drawn) > 1000
    assert any("All doses on record are divided by 1.4" in one for one in heron(drawn)["reasons"])


def test_a_good_check_that_is_withdrawn_raises_by_the_ordinary_path(drawn: Path) -> None:
    good = record(drawn, "sensor-checked", hours(3.9), 1.0)
    record(drawn, "sensor-checked", hours(2), 1.4)
    assert heron(drawn)["verdict"] == "watch" and told(drawn, "advisory", "list", "--all") == []
    run(drawn, "service", "withdraw", good, *BY)
    one = heron(drawn)
    assert one["verdict"] == "boil" and one["advisory"]["cause"] == "low-dose"
    [shown] = told(drawn, "advisory", "show", one["advisory"]["id"])
    assert shown["ready_reasons"] == []  # it had made things better: no reason to lift


def test_a_failed_check_that_is_withdrawn_gives_the_doses_back_and_lifts_nothing(drawn: Path) -> None:
    wrong = record(drawn, "sensor-checked", hours(2), 1.8)
    number = heron(drawn)["advisory"]["id"]
    run(drawn, "service", "withdraw", wrong, *BY)
    one = heron(drawn)
    assert weak_l(drawn) == 0.0 and (one["verdict"], one["advisory"]["id"]) == ("boil", number)
    assert not any("divided" in reason for reason in one["reasons"])
    assert "sensor-checked 1.8 of" in told(drawn, "advisory", "show", number)[0]["ready_reasons"][0]
    # no such water is left, yet a withdrawal brings no proof: the flushes still wait for whoever runs them
    done = steps(drawn, number)
    assert not done["flush_cold"] and not done["flush_hot"]


def no_flush_asked(path: Path) -> None:
    """A fleet whose own list of steps has chlorine without a flush, so that it may come first."""
    text = path.with_name("own.toml")
    text.write_text('[advisory]\nuntreated = ["power_stable", "disinfect", "sample_1", "notice_removed"]\n')
    run(path, "enroll", str(text))


def test_chlorine_before_the_flushes_ticks_nothing_and_says_why(drawn: Path) -> None:
    run(drawn, "advisory", "raise", *HERON, "--by", "Ann Lund")
    number = heron(drawn)["advisory"]["id"]
    said = run(drawn, "service", "record", "chlorinated", *HERON, "--at", datetime.now(UTC).isoformat(),
               "--who", "Bo")
    assert "disinfect: kept, but it does not count: " in said
    assert "it comes after flush_cold (cold pipes flushed): chlorine does not kill Cryptosporidium" in said
    assert not steps(drawn, number)["disinfect"]
    told_why = refused(drawn, "advisory", "record", number, "--step", "disinfect", "--by", "Bo")
    assert "comes after flush_cold" in told_why


def test_a_step_that_a_withdrawn_record_had_ticked_unticks_at_once(drawn: Path) -> None:
    no_flush_asked(drawn)
    run(drawn, "advisory", "raise", *HERON, "--by", "Ann Lund")
    number = heron(drawn)["advisory"]["id"]
    wrong = record(drawn, "chlorinated", datetime.now(UTC))
    assert steps(drawn, number)["disinfect"]
    said = run(drawn, "service", "withdraw", wrong, *BY)
    assert f"{number}: no longer done: disinfect" in said
    assert not steps(drawn, number)["disinfect"]
    shown = told(drawn, "advisory", "show", number)[0]
    assert shown["record"][-1]["kind"] == "record-withdrawn" and shown["ready_reasons"] == []
    again = record(drawn, "chlorinated", datetime.now(UTC))
    assert steps(drawn, number)["disinfect"] and again != wrong


def test_a_step_that_a_person_recorded_for_itself_stays(drawn: Path) -> None:
    no_flush_asked(drawn)
    run(drawn, "advisory", "raise", *HERON, "--by", "Ann Lund")
    number = heron(drawn)["advisory"]["id"]
    wrong = record(drawn, "chlorinated", datetime.now(UTC))
    run(drawn, "advisory", "record", number, "--step", "disinfect", "--by", "Cai Berg", "--again")
    run(drawn, "service", "withdraw", wrong, *BY)
    assert steps(drawn, number)["disinfect"]


def test_an_advisory_that_was_lifted_while_the_record_counted_stays_lifted_and_is_named(drawn: Path) -> None:
    no_flush_asked(drawn)
    run(drawn, "advisory", "raise", *HERON, "--by", "Ann Lund")
    number = heron(drawn)["advisory"]["id"]
    wrong = record(drawn, "chlorinated", datetime.now(UTC))
    run(drawn, "advisory", "lift", number, "--by", "Ann Lund", "--reason", "for the test")
    said = run(drawn, "service", "withdraw", wrong, *BY)
    assert f"{number}: was lifted while this record counted" in said and "raise an advisory by hand" in said
    assert told(drawn, "advisory", "show", number)[0]["state"] == "lifted"


def test_the_same_record_twice_is_refused_with_who_and_when(drawn: Path) -> None:
    record(drawn, "lamp-swapped", hours(2))
    same = ("service", "record", "lamp-swapped", *HERON, "--at", hours(2).isoformat(), "--who")
    said = refused(drawn, *same, " ann LUND ")
    when = f"{hours(2):%Y-%m-%d %H:%M UTC}"
    assert f"lamp-swapped of heron-point/main at {when} is recorded already, by Ann Lund on " in said
    assert "is recorded already, by Ann Lund" in refused(drawn, *same, "Bo Dahl")
    assert len(listed(drawn)) == 1
    note = ("service", "record", "note", *HERON, "--at", hours(2).isoformat(), "--who", "Ann Lund", "--note")
    run(drawn, *note, "door left open")
    assert "is recorded already, by Ann Lund" in refused(drawn, *note, "door left open")
    run(drawn, *note, "and shut again")
    assert len(listed(drawn)) == 3


@pytest.mark.parametrize("at", ("0001-01-01T00:00:00+14:00", "0206-11-20T06:00:00Z", "1969-12-31T23:59:00Z"))
def test_a_year_that_was_typed_wrong_is_refused_and_the_unit_is_judged_on(held: Store, at: str) -> None:
    with pytest.raises(BadInput, match="at must not lie before 1970"):
        held.act("record-service", {"kind": "note", "cabin": "heron-point", "unit": "main", "who": "Ann Lund",
                                    "at": at, "value": None, "note": ""})
    assert held.ask("SELECT count(*) AS n FROM service_event")["n"].tolist() == [0]


def test_what_was_withdrawn_may_be_recorded_again(drawn: Path) -> None:
    number = record(drawn, "lamp-swapped", hours(2))
    run(drawn, "service", "withdraw", number, *BY)
    assert record(drawn, "lamp-swapped", hours(2)) != number


@pytest.mark.parametrize(("words", "said"), [
    (("abcdef12", *BY), "no record 'abcdef12'"), (("a3", *BY), "first 6 characters"),
    (("NUMBER", "--by", " ", "--reason", "why"), "empty name"), (("NUMBER", "--by", "Bo", "--reason", ""), "why")])
def test_who_and_why_are_asked_for_and_the_record_has_to_be_there(
    drawn: Path, words: tuple[str, ...], said: str
) -> None:
    number = record(drawn, "lamp-swapped", hours(2))
    assert said in refused(drawn, "service", "withdraw", *(number if one == "NUMBER" else one for one in words))
    assert listed(drawn)[number]["withdrawn"] is None


def test_a_copy_of_the_store_leaves_out_the_same_records(drawn: Path, tmp_path: Path) -> None:
    number = record(drawn, "water-tested", hours(1), 84.0)
    run(drawn, "service", "withdraw", number, *BY)
    run(drawn, "backup", str(tmp_path / "copy.duckdb"))
    assert listed(tmp_path / "copy.duckdb") == listed(drawn)
    con = duckdb.connect(str(tmp_path / "copy.duckdb"), read_only=True)
    assert con.execute("SELECT count(*) FROM service_done").fetchone() == (0,)
    con.close()
