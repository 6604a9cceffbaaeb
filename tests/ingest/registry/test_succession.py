"""Cabins and units that are retired, renamed or moved: their record goes along whole, or stays.

The reference of a rename is a store with the same readings that bore the new name from the beginning.
"""

from __future__ import annotations

import json
from datetime import timedelta

import pandas as pd
import pytest

from ingest import queries
from ingest.db import engine, past
from ingest.db.archive import listed
from ingest.db.intake import Known, Message, decode, keep
from ingest.db.migrations import _SUCCESSION, MIGRATIONS, migrate
from ingest.evaluation.evaluate import evaluate, owe
from ingest.months.record import month_records
from ingest.registry.succession import deed, history
from ingest.registry.tables import load_fleet, load_history, load_names, load_whole_fleet, write_fleet
from ingest.settings import BadInput
from ingest.store import Store
from models.fleet_history import BEGINNING
from models.succession import contact_key
from tests.conftest import FLEET_TOML, REACTOR, cabin_toml, count, senml, utc
from tests.ingest.db.archived_months import archive_all, fill
from tests.ingest.ingest_streams import steady

START = utc("2026-09-10T06:00:00")
NOW = START + timedelta(minutes=300)
KEY = ("heron-point", "main")
CONTACT = '[[contact]]\nname = "Kim Roe"\nrole = "owner"\ncabins = ["heron-point"]\n'
# What the evaluation derives of a unit, and what people did to it.
BY_UNIT = ("reading", "segment", "hourly", "daily", "underdosed", "resume_state", "present", "service_event",
           "link_event", "advisory", "answered", "quarantine")


def dark_hour(key: tuple[str, str]) -> pd.DataFrame:
    """Five hours of water, in the middle an hour of it past a dark lamp."""
    rows = steady(START, 300, *key)
    rows["flow_l_min"] = 6.0
    rows.loc[rows.index[100:160], ["lamp_on", "intensity_w_m2"]] = [False, 0.0]
    return rows


def fed(store: Store, key: tuple[str, str] = KEY) -> Store:
    """A store in which that unit was heard, with a bad hour and a service on record."""
    kept = keep(store.con, rows=dark_hour(key), arrived=NOW)
    owe(store.con, kept.touched)
    evaluate(store.con, NOW)
    store.act("record-service", {
        "kind": "sleeve-cleaned", "cabin": key[0], "unit": key[1], "who": "Kim", "note": "", "value": None,
        "at": START.isoformat()})
    return store


def do(store: Store, kind: str, **body: str) -> list[str]:
    asked = {"kind": kind, "by": "Ann Lund", "reason": "asked for", **body}
    return deed(store.con, asked, store.now(), store.path)["lines"]


def of_unit(store: Store, key: tuple[str, str]) -> dict[str, pd.DataFrame]:
    """All that is on record of a unit but when it was written down, without its name."""
    return {
        table: store.ask(f"SELECT * EXCLUDE (cabin, unit) FROM {table} WHERE cabin = $c AND unit = $u ORDER BY ALL",  # noqa: S608
                         {"c": key[0], "u": key[1]})
        for table in BY_UNIT}


def everything(store: Store) -> dict[str, pd.DataFrame]:
    names = store.ask("SELECT table_name AS name FROM duckdb_tables() WHERE NOT internal ORDER BY 1")["name"]
    return {name: store.ask(f'SELECT * FROM "{name}" ORDER BY ALL') for name in names}  # noqa: S608


def exported_is_no_change(store: Store) -> None:
    told = store.act("enroll-check", {"text": write_fleet(load_fleet(store)), "defaults": True})
    assert (told["new"], told["changed"], told["default"]) == ([], [], [])


def lift_all(store: Store) -> None:
    for one in queries.advisories(store):
        store.act("advisory-lift", {"advisory": one.id, "by": "Ann Lund", "reason": "a test"})


@pytest.mark.parametrize("became", [("heron-point", "cellar"), ("north-point", "main")])
def test_all_that_names_it_names_it_by_its_new_name_and_nothing_else_is_touched(held, became):
    held.act("enroll", {"text": CONTACT})
    held.act("enroll", {"text": FLEET_TOML.replace("uvt_pct = 82.0", "uvt_pct = 80.0", 1)})
    fed(held)
    before, whole = of_unit(held, KEY), everything(held)
    assert len(before["advisory"]) == 1
    do(held, "renamed", cabin=KEY[0], **(
        {"unit": "main", "to_unit": "cellar"} if became[1] == "cellar" else {"to_cabin": "north-point"}))
    for table, rows in of_unit(held, became).items():
        pd.testing.assert_frame_equal(rows, before[table], obj=table)
    old = "heron-point/main" if became[1] == "cellar" else "heron-point"
    for table, rows in everything(held).items():
        if table in ("registry_deed", "registry_revision", "notification", "request", "answer"):
            continue
        assert len(rows) == len(whole[table]), table
        if {"cabin", "unit"} <= set(rows.columns):
            assert not ((rows["cabin"] == KEY[0]) & (rows["unit"] == KEY[1])).any(), table
        if became[1] == "main":
            for name in rows.columns:
                assert not rows[name].astype("str").str.contains(r"heron-point\b", regex=True).any(), (table, name)
    assert load_fleet(held).has_unit(*became)
    assert not load_fleet(held).has_unit(*KEY)
    first = load_history(held).versions(*became)[0]
    assert (first[0], first[1].uvt_pct) == (BEGINNING, 82.0)
    assert [one.slug for _, one, _ in load_history(held).versions(*became)] == [became[1]] * 2
    assert load_fleet(held).contacts[0].cabins == (became[0],)
    (last,) = [one for one in history(held) if one["was"] == old]
    assert (last["kind"], last["now"], last["who"]) == (
        "renamed", "/".join(became) if became[1] == "cellar" else became[0], "Ann Lund")
    exported_is_no_change(held)


def test_who_renames_what_is_polled_is_told_that_the_broker_has_to_know(held):
    held.act("enroll", {"text": FLEET_TOML + """
[cabin.unit.controller]
address = "10.0.4.7:1502"
registers = [{ address = 12, column = "lamp_on" }]
"""})
    told = do(held, "renamed", cabin="otter-cove", to_cabin="loon-rock")
    (polled,) = (one for one in told if "polled" in one)
    assert "otter-cove/annex" in polled and "run `tarnlight broker`" in polled
    assert sum("what its logger sends" in one for one in told) == 1


def test_what_comes_later_is_judged_as_if_it_had_borne_that_name_for_ever(held, tmp_path):
    other = Store(tmp_path / "other.duckdb")
    other.act("enroll", {"text": FLEET_TOML.replace('"heron-point"', '"north-point"')})
    fed(held), fed(other, ("north-point", "main"))
    do(held, "renamed", cabin="heron-point", to_cabin="north-point")
    later = steady(NOW, 120, "north-point", "main")
    for store in (held, other):
        owe(store.con, keep(store.con, rows=later, arrived=NOW + timedelta(hours=2)).touched)
        evaluate(store.con, NOW + timedelta(hours=2))
    found, expected = of_unit(held, ("north-point", "main")), of_unit(other, ("north-point", "main"))
    for table in ("reading", "segment", "hourly", "underdosed", "resume_state", "present"):
        pd.testing.assert_frame_equal(found[table], expected[table], obj=table)
    (mine,), (theirs,) = queries.advisories(held), queries.advisories(other)
    assert mine.advisory.exposure == theirs.advisory.exposure  # it went on, and was not raised a second time
    other.close()


def test_a_logger_that_still_sends_under_a_former_name_is_heard_as_its_unit(held):
    fed(held)
    do(held, "renamed", cabin="heron-point", to_cabin="north-point")
    do(held, "renamed", cabin="north-point", unit="main", to_unit="cellar")
    names = load_names(held)
    known = Known({("north-point", "cellar")}, names.units(), names.why_not_taken)
    at = pd.Timestamp(NOW)
    found = decode([
        Message("tarnlight/heron-point/main/log", senml(NOW, flow=1e-4).encode(), NOW),
        Message("tarnlight/heron-point/main/link", b"up", NOW),
        Message("tarnlight/heron-point/main/link", b"down", NOW),
        Message("tarnlight/north-point/main/link", b"up", NOW, retained=True)], known, at)
    assert found.rows[["cabin", "unit"]].to_numpy().tolist() == [["north-point", "cellar"]]
    assert found.links[["cabin", "unit", "up"]].to_numpy().tolist() == [["north-point", "cellar", True]]
    assert found.refused.empty  # what the broker kept of a link under a former name is no news, and no fault


def test_a_former_name_is_given_to_nothing_else_until_a_person_frees_it(held):
    do(held, "moved", cabin="otter-cove", unit="annex", to_cabin="heron-point")
    with pytest.raises(BadInput, match=r"otter-cove/annex is a former name of the unit heron-point/annex .*Ann"):
        held.act("enroll", {"text": FLEET_TOML})
    with pytest.raises(BadInput, match="former name"):
        do(held, "renamed", cabin="otter-cove", unit="main", to_unit="annex")
    do(held, "freed", cabin="otter-cove", unit="annex")
    assert held.act("enroll", {"text": FLEET_TOML})["new"] == ["otter-cove/annex"]
    assert load_names(held).units() == {}
    do(held, "renamed", cabin="heron-point", to_cabin="north-point")
    with pytest.raises(BadInput, match="heron-point is a former name of the cabin north-point"):
        held.act("enroll", {"text": REACTOR + cabin_toml("heron-point", "shed")})
    do(held, "renamed", cabin="north-point", to_cabin="heron-point")  # its own name back
    exported_is_no_change(held)


def test_what_is_retired_is_judged_and_told_of_no_more_and_its_record_stays(held):
    fed(held)
    before = of_unit(held, KEY)
    with pytest.raises(BadInput, match=r"while an advisory stands \(a1 at heron-point/main\): a named person"):
        do(held, "retired", cabin="heron-point")
    assert load_fleet(held).has_unit(*KEY)
    lift_all(held)
    at = START.date()
    (was,) = month_records(held, load_fleet(held), [load_fleet(held).cabin("heron-point")], at, at, NOW)
    do(held, "retired", cabin="heron-point")
    now = held.now()
    assert "heron-point" not in {one.cabin.slug for one in queries.status(held, now)}
    assert KEY not in queries.never_heard(held)
    for table in ("reading", "segment", "hourly", "service_event", "advisory"):
        pd.testing.assert_frame_equal(of_unit(held, KEY)[table], before[table], obj=table)
    whole = load_whole_fleet(held)
    (found,) = month_records(held, whole, [whole.cabin("heron-point")], at, at, NOW)
    pd.testing.assert_frame_equal(found.water.units, was.water.units)
    assert len(found.deeds.services) == 1
    outages = queries.outages(held, now, cabin="heron-point")
    assert set(outages["kind"]) >= {"dark", "unheard"}
    retired = load_names(held).retired[KEY].at
    assert outages["end"].max() <= pd.Timestamp(retired)  # not known until then, and nobody's question after
    known = Known({("otter-cove", "main")}, load_names(held).units(), load_names(held).why_not_taken)
    refused = decode([Message("tarnlight/heron-point/main/log", b"[]", NOW)], known, pd.Timestamp(NOW)).refused
    assert "was retired on" in refused["reason"].iloc[0] and "Ann Lund" in refused["reason"].iloc[0]
    exported_is_no_change(held)
    with pytest.raises(BadInput, match=r"heron-point was retired on .* by Ann Lund"):
        held.act("enroll", {"text": FLEET_TOML})


def test_what_is_retired_can_be_taken_back_as_it_was(held):
    fed(held)
    lift_all(held)
    fleet, tables = load_fleet(held), of_unit(held, KEY)
    do(held, "retired", cabin="heron-point")
    with pytest.raises(BadInput, match="the cabin of heron-point/main is retired"):
        do(held, "taken-back", cabin="heron-point", unit="main")
    do(held, "taken-back", cabin="heron-point")
    assert load_fleet(held) == fleet
    assert load_names(held).retired == {}
    pd.testing.assert_frame_equal(of_unit(held, KEY)["hourly"], tables["hourly"])
    with pytest.raises(BadInput, match="heron-point is not retired; retired is: nothing"):
        do(held, "taken-back", cabin="heron-point")


def test_a_unit_with_an_open_advisory_is_not_moved_and_one_without_is_with_its_record(held):
    fed(held)
    with pytest.raises(BadInput, match="cannot move heron-point/main while an advisory stands"):
        do(held, "moved", cabin="heron-point", unit="main", to_cabin="otter-cove", to_unit="shed")
    lift_all(held)
    before = of_unit(held, KEY)
    with pytest.raises(BadInput, match="otter-cove/main is enrolled"):
        do(held, "moved", cabin="heron-point", unit="main", to_cabin="otter-cove")
    do(held, "moved", cabin="heron-point", unit="main", to_cabin="otter-cove", to_unit="shed")
    for table, rows in of_unit(held, ("otter-cove", "shed")).items():
        pd.testing.assert_frame_equal(rows, before[table], obj=table)
    assert load_fleet(held).cabin("heron-point").units == ()
    exported_is_no_change(held)


def test_a_move_to_another_clock_works_its_hours_out_anew(held):
    held.act("enroll", {"text": REACTOR + cabin_toml("far-bay").replace("America/Toronto", "Asia/Kathmandu")})
    fed(held)
    lift_all(held)
    do(held, "moved", cabin="heron-point", unit="main", to_cabin="far-bay")
    minutes = held.ask("SELECT DISTINCT minute(hour) AS m FROM hourly WHERE cabin = 'far-bay'")["m"]
    assert set(minutes) > {0}  # by 15 minutes, since its hours begin at a quarter to
    assert count(held, "pending") == 0


def test_files_of_archived_months_follow_and_their_readings_are_the_same(tmp_path):
    store = Store(tmp_path / "data.duckdb")
    store.act("enroll", {"text": FLEET_TOML})
    now = fill(store)
    archive_all(store, now)
    select = 'SELECT * EXCLUDE (cabin, unit) FROM whole_reading WHERE cabin = $c AND unit = $u ORDER BY "at"'
    before = past.ask(store, select, {"c": "otter-cove", "u": "annex"}, since=past.EVER)
    files = {one.file for one in listed(store.con) if one.unit == "annex"}
    others = {one.file for one in listed(store.con)} - files
    assert len(files) == 3
    asked = {"kind": "renamed", "cabin": "otter-cove", "unit": "annex", "to_unit": "sauna", "by": "Kim"}
    deed(store.con, asked, now, store.path)
    assert count(store, "archived_reading", "unit = 'annex'") == 0
    after = past.ask(store, select, {"c": "otter-cove", "u": "sauna"}, since=past.EVER)
    pd.testing.assert_frame_equal(after, before)
    assert past.ask(store, select, {"c": "otter-cove", "u": "annex"}, since=past.EVER).empty
    assert {one.file for one in listed(store.con)} > others  # those of other units are the same files
    store.close()


def test_a_rename_without_a_file_of_its_archive_is_refused_and_changes_nothing(tmp_path):
    store = Store(tmp_path / "data.duckdb")
    store.act("enroll", {"text": FLEET_TOML})
    now = fill(store)
    archive_all(store, now)
    (one, *_) = [one for one in listed(store.con) if one.unit == "annex"]
    (tmp_path / "data.duckdb.archive" / one.file).unlink()
    before = everything(store)
    with pytest.raises(BadInput, match=f"the readings of otter-cove/annex of .*{one.file} is missing"):
        deed(store.con, {"kind": "renamed", "cabin": "otter-cove", "to_cabin": "new-cove", "by": "Kim"}, now,
             store.path)
    for table, rows in everything(store).items():
        if table != "archive_leftover":  # copies that nothing reads, to be deleted
            pd.testing.assert_frame_equal(rows, before[table], obj=table)
    store.close()


def test_a_signed_month_is_unchanged_by_another_name_of_its_unit(held):
    fed(held)
    held.act("sign-month", {"cabin": "heron-point", "month": "2026-09", "by": "Ann Lund"})
    do(held, "renamed", cabin="heron-point", unit="main", to_unit="cellar")
    do(held, "renamed", cabin="heron-point", to_cabin="north-point")
    fleet = load_fleet(held)
    (record,) = month_records(
        held, fleet, [fleet.cabin("north-point")], utc("2026-09-01").date(), utc("2026-09-30").date(), held.now())
    (signed,) = record.signed
    assert signed.whole and signed.changed == ()


@pytest.mark.parametrize(("kind", "body", "match"), [
    ("renamed", {"cabin": "heron-point", "to_cabin": "otter-cove"}, "otter-cove is enrolled: a name stands"),
    ("renamed", {"cabin": "heron-point", "to_cabin": "Heron"}, "--to must be 1 to 63 of a-z"),
    ("renamed", {"cabin": "gull-rock", "to_cabin": "x"}, "no cabin 'gull-rock' is enrolled; enrolled are: heron"),
    ("renamed", {"cabin": "heron-point", "unit": "attic", "to_unit": "x"}, "no unit 'attic' of cabin 'heron"),
    ("moved", {"cabin": "heron-point", "unit": "main", "to_cabin": "heron-point"}, "is at heron-point already"),
    ("freed", {"cabin": "heron-point"}, "heron-point is no former name; those there are: none"),
    ("retired", {"cabin": "heron-point", "by": " "}, "by must name the person"),
    ("retired", {"contact": "nobody"}, "no contact has the key 'nobody'"),
])
def test_what_cannot_be_is_refused_and_changes_nothing(held, kind, body, match):
    before = everything(held)
    with pytest.raises(BadInput, match=match):
        do(held, kind, **body)
    for table, rows in everything(held).items():
        pd.testing.assert_frame_equal(rows, before[table], obj=table)


def test_to_look_changes_nothing(held):
    fed(held)
    before = everything(held)
    lines = do(held, "renamed", cabin="heron-point", to_cabin="north-point", look=True)
    assert "300 readings" in lines[0]
    assert any("open advisory a1 goes along" in line for line in lines)
    for table, rows in everything(held).items():
        pd.testing.assert_frame_equal(rows, before[table], obj=table)


# Contacts and sections -----------------------------------------------------------------------------------------


def test_a_contact_is_who_has_its_key(held):
    held.act("enroll", {"text": CONTACT + CONTACT.replace("owner", "manager")})
    assert {(one.key, str(one.role)) for one in load_fleet(held).contacts} == {
        ("kim-roe", "owner"), ("kim-roe-manager", "manager")}
    assert held.act("enroll", {"text": CONTACT})["changed"] == []  # without a key: by name and role, as ever
    told = held.act("enroll", {"text": CONTACT.replace("Kim Roe", "Kim Lund") + 'key = "kim-roe"\n'})
    assert told["changed"] == ["contact Kim Lund"]
    assert {one.name for one in load_fleet(held).contacts} == {"Kim Lund", "Kim Roe"}
    held.act("enroll", {"text": CONTACT.replace("Roe", "Lund") + 'key = "kim"\n'})  # another key for the same
    assert {one.key for one in load_fleet(held).contacts} == {"kim", "kim-roe-manager"}
    exported_is_no_change(held)
    with pytest.raises(BadInput, match="contact 'kim' stands twice"):
        held.act("enroll", {"text": 2 * (CONTACT + 'key = "kim"\n')})
    do(held, "retired", contact="kim")
    assert [one.key for one in load_fleet(held).contacts] == ["kim-roe-manager"]


def test_contacts_of_before_get_keys_of_their_names_each_its_own(tmp_path):
    old = engine.connect(tmp_path / "old.duckdb")
    migrate(old, until=MIGRATIONS.index(_SUCCESSION))
    for name, role in (("Zoë Åberg", "owner"), ("Zoë Åberg", "manager"), ("山田", "guest")):
        old.execute("INSERT INTO contact VALUES ($name, $role, $profile)", {
            "name": name, "role": role, "profile": json.dumps({"name": name, "role": role})})
    old.close()
    store = Store(tmp_path / "old.duckdb")
    assert {(one.key, one.name) for one in load_fleet(store).contacts} == {
        ("zoe-aberg", "Zoë Åberg"), ("zoe-aberg-owner", "Zoë Åberg"), ("guest", "山田")}
    exported_is_no_change(store)
    store.close()


def test_keys_that_are_made_of_names_are_slugs_and_never_twice():
    taken: set[str] = set()
    for name, role, key in (
            ("Zoë Åberg", "owner", "zoe-aberg"), ("Zoe Aberg", "owner", "zoe-aberg-owner"),
            ("ZOE ABERG!", "owner", "zoe-aberg-2"), ("山田", "guest", "guest")):
        assert contact_key(name, role, taken) == key
        taken.add(key)


def test_a_section_that_is_taken_out_goes_back_to_its_default_where_that_is_asked_for(held):
    own = '[crew]\ndays = ["mon"]\n[judging]\ntwo_ends_s = 60\n'
    held.act("enroll", {"text": FLEET_TOML + own})
    told = held.act("enroll", {"text": FLEET_TOML})
    assert told["default"] == ["judging", "crew"]  # said, and not done
    assert load_fleet(held).judging.two_ends_s == 60
    held.act("enroll", {"text": FLEET_TOML, "defaults": True})
    fleet = load_fleet(held)
    assert (fleet.own_crew, fleet.own_judging, fleet.judging.two_ends_s) == (None, None, 300.0)
    assert [policy.two_ends_s for _, policy in load_history(held).judging_versions()] == [300.0, 60, 300.0]
    held.act("enroll", {"text": FLEET_TOML + own})
    assert [policy.two_ends_s for _, policy in load_history(held).judging_versions()] == [300.0, 60, 300.0, 60]
    exported_is_no_change(held)
