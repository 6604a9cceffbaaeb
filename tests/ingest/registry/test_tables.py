"""fleet.toml in and out: refused whole, with line, key, value and what is allowed."""

from __future__ import annotations

from dataclasses import replace
from datetime import date

import pytest

from ingest.db.engine import Local
from ingest.registry.tables import load_fleet, read_fleet, write_fleet
from ingest.settings import BadInput
from ingest.store import Store
from models.fleet import CrewPolicy, polled
from simulated_feeds.scenario import fleet_toml
from tests.conftest import FLEET_TOML, REACTOR, cabin_toml

FULL = (
    REACTOR.replace(
        'name = "annular-40"', 'name = "annular-40"\nsensor_radius_cm = 4.0\nuvt_min_pct = 70\nrewarm_s = 20')
    + REACTOR.replace('"annular-40"', '"tested"') + "equation = { a = 1.5, b = -0.9, c = 1.0, d = 0.85 }\n"
    + REACTOR.replace('"annular-40"', '"several"')
    + """[[reactor.tests]]
flow_l_min = 15.0
uvt_pct = 75.0
intensity_w_m2 = 41.0
red_mj_cm2 = 62.5
uncertainty_pct = 8
[[reactor.tests]]
flow_l_min = 30.0
uvt_pct = 65.0
intensity_w_m2 = 27.0
red_mj_cm2 = 28
challenge_k_cm2_mj = 0.127
"""
    + REACTOR.replace('"annular-40"', '"in-a-list"')
    + "tests = [{ flow_l_min = 15, uvt_pct = 75, intensity_w_m2 = 41, red_mj_cm2 = 62.5 }]\n"
    + cabin_toml("heron-point", "main", extra='calendar = "bookings.ics"')
    .replace('name = "Heron-Point"', 'name = "H\\u00e9ron \\"Point\\" \\\\ \u2603"')
    .replace("drawdown_l = 25.0", 'drawdown_l = "gravity"\nsends_every_s = 600\ntotal = "meter"')
    .replace('total = "meter"', 'total = "meter"\nlamp_hours_step_h = 0.1')
    .replace("hot_tank_l = 150.0", "hot_tank_l = 80\nhot_tank_heel_l = 7.5\nhot_max_c = 75")
    .replace("latitude = 45.4", "latitude = 45.4\nseptic_l_day = 900\nwell_l_min = 12.5\nvulnerable = true")
    .replace("latitude = 45.4", 'latitude = 45.4\nsupply_line = "line-7"')
    + """
[[contact]]
name = "Kim"
role = "manager"
cabins = ["heron-point"]
phone = "+1 555 0100"
channels = ["kim"]
order = 2
quiet_from = "22:00"
quiet_until = "07:00"
[[contact]]
name = "District Health"
role = "health-authority"
[judging]
two_ends_s = 120
"""
)


def line_of(text: str, part: str) -> int:
    """The first line that holds this."""
    return next(n for n, line in enumerate(text.splitlines(), start=1) if part in line)


@pytest.mark.parametrize("text", [FLEET_TOML, FULL, fleet_toml(12)])
def test_what_is_written_out_is_read_back_as_the_same_fleet(text):
    fleet = read_fleet(text)
    assert read_fleet(write_fleet(fleet)) == fleet


@pytest.mark.parametrize("text", [FLEET_TOML, FULL, fleet_toml(12)])
def test_what_is_enrolled_comes_back_from_the_store_as_the_same_fleet(tmp_path, text):
    store = Store(tmp_path / "x.duckdb")
    store.act("enroll", {"text": text})
    fleet = load_fleet(store)
    assert read_fleet(write_fleet(fleet)) == fleet
    wanted = read_fleet(text)
    in_order = [replace(one, units=tuple(sorted(one.units, key=lambda unit: unit.slug))) for one in wanted.cabins]
    assert list(fleet.cabins) == sorted(in_order, key=lambda one: one.slug)
    assert set(fleet.reactors) == set(wanted.reactors)
    assert {replace(one, key="") for one in fleet.contacts} == {replace(one, key="") for one in wanted.contacts}
    assert len({one.key for one in fleet.contacts}) == len(wanted.contacts)
    store.close()


def test_what_a_file_leaves_out_is_not_known_and_is_not_written_out_as_0():
    text = FLEET_TOML
    for line in ("cold_plumbing_l = 18.0\n", "hot_tank_l = 150.0\n"):
        text = text.replace(line, "")
    fleet = read_fleet(text)
    unit = fleet.unit("heron-point", "main")
    assert (unit.cold_plumbing_l, unit.hot_tank_l, unit.total, unit.lamp_hours_step_h) == (None, None, None, None)
    assert unit.sending_s == unit.cadence_s == 60.0
    assert not unit.total_kept_by_meter  # the weaker
    told = write_fleet(fleet)
    for name in ("cold_plumbing_l", "hot_tank_l", "total", "sends_every_s", "lamp_hours_step_h", "judging"):
        assert name not in told


def test_a_hot_tank_of_0_litres_says_that_there_is_none():
    fleet = read_fleet(FLEET_TOML.replace("hot_tank_l = 150.0", "hot_tank_l = 0", 1))
    assert fleet.unit("heron-point", "main").hot_tank_l == 0
    assert read_fleet(write_fleet(fleet)).unit("heron-point", "main").hot_tank_l == 0


def test_how_far_a_reading_may_speak_stays_where_a_file_does_not_say(held):
    assert (load_fleet(held).judging.two_ends_s, load_fleet(held).judging.stale_min) == (300.0, 15.0)
    held.act("enroll", {"text": FLEET_TOML + "\n[judging]\ntwo_ends_s = 90\nstale_min = 20\n"})
    held.act("enroll", {"text": FLEET_TOML})
    judging = load_fleet(held).judging
    assert (judging.two_ends_s, judging.stale_min) == (90.0, 20.0)


def test_enrolling_twice_changes_nothing_and_says_so(held):
    told = held.act("enroll", {"text": FLEET_TOML})
    assert told == {
        "new": [],
        "changed": [],
        "default": [],
        "same": [
            "annular-40",
            "heron-point",
            "heron-point/main",
            "otter-cove",
            "otter-cove/main",
            "otter-cove/annex",
        ],
    }


def test_a_change_is_told_and_what_the_file_leaves_out_stays(held):
    text = REACTOR + cabin_toml("heron-point", "main").replace("uvt_pct = 82.0", "uvt_pct = 83.0")
    told = held.act("enroll", {"text": text})
    assert told["changed"] == ["heron-point/main"]
    assert [cabin.slug for cabin in load_fleet(held).cabins] == ["heron-point", "otter-cove"]
    assert load_fleet(held).unit("heron-point", "main").uvt_pct == 83.0


@pytest.mark.parametrize(
    ("old", "new", "told"),
    [
        ("uvt_pct = 82.0", "uvt_pct = 182.0", "uvt_pct must be above 0 and at most 100; got 182.0"),
        ("uvt_pct = 82.0", 'uvt_pct = "82"', "uvt_pct must be a finite number, above 0 and at most 100; got '82'"),
        ("uvt_pct = 82.0", "uvt_pct = nan", "got nan"),
        ("uvt_pct = 82.0", "uvt_pct = true", "got True"),
        ("cadence_s = 60", "cadence_s = 0", "cadence_s must be above 0; got 0"),
        (
            "peak_flow_l_min = 19.0",
            "peak_flow_lpm = 19.0",
            "unknown key 'peak_flow_lpm'; allowed: cadence_s, cold_plumbing_l",
        ),
        (
            "lamp_installed = 2026-04-18",
            'lamp_installed = "2026-04-18"',
            "lamp_installed must be a date like 2026-04-18; got",
        ),
        (
            "drawdown_l = 25.0",
            'drawdown_l = "gravity fed"',
            "drawdown_l must be a finite number, at least 0; got 'gravity fed'",
        ),
        ("drawdown_l = 25.0", 'gravity_fed = "no"', "gravity_fed must be true or false; got 'no'"),
        ("drawdown_l = 25.0", 'total = "register"', "total must be one of meter, pulse; got 'register'"),
        ("drawdown_l = 25.0", "sends_every_s = 59", "sends_every_s must be at least cadence_s (60), since"),
        ("drawdown_l = 25.0", "lamp_hours_step_h = 0", "lamp_hours_step_h must be above 0 and at most 100; got 0"),
        ("cold_plumbing_l = 18.0", "cold_plumbing_l = -1", "cold_plumbing_l must be at least 0; got -1"),
        ("drawdown_l = 25.0", "hot_tank_heel_l = -1", "hot_tank_heel_l must be at least 0; got -1"),
        ("drawdown_l = 25.0", "hot_tank_heel_l = 150", "hot_tank_heel_l must be below hot_tank_l (150), of which"),
        ("drawdown_l = 25.0", "hot_max_c = 160", "hot_max_c must be above 0 and at most 100; got 160"),
        ('trip = "north-shore"', "septic_l_day = 0", "septic_l_day must be above 0; got 0"),
        ('trip = "north-shore"', "well_l_min = inf", "well_l_min must be a finite number, above 0; got inf"),
        ('trip = "north-shore"', 'vulnerable = "yes"', "vulnerable must be true or false; got 'yes'"),
        ("warm_up_s = 120", "rewarm_s = 121", "rewarm_s must be at most warm_up_s (120); got 121"),
        ('slug = "heron-point"', 'slug = "Heron Point"', "slug must be 1 to 63 of a-z, 0-9 and '-'"),
        ('slug = "heron-point"', 'slug = "../etc"', "got '../etc'"),
        ('slug = "heron-point"', "slug = 5", "slug must be a text; got 5"),
        (
            'time_zone = "America/Toronto"',
            'time_zone = "Ontario"',
            "time_zone must be an IANA name like 'America/Toronto'",
        ),
        ('time_zone = "America/Toronto"', 'time_zone = "../../etc/passwd"', "time_zone must be an IANA name"),
        ('time_zone = "America/Toronto"', 'time_zone = ""', "time_zone must be an IANA name"),
        ("latitude = 45.4", "latitude = 95", "latitude must be at least -90 and at most 90; got 95"),
        ('trip = "north-shore"', "trip = 5", "trip must be a text; got 5"),
        ("mixing_tanks = 4", "mixing_tanks = 0", "mixing_tanks must be at least 1; got 0"),
        ("mixing_tanks = 4", "mixing_tanks = 3.5", "mixing_tanks must be a whole number"),
        ("sleeve_outer_radius_cm = 1.2", "sleeve_outer_radius_cm = 5", "sleeve_outer_radius_cm must be below"),
        ("sleeve_transmittance = 0.92", "sleeve_transmittance = 92", "at most 1; got 92"),
        ("validation_factor = 1.0", "validation_factor = 0.9", "validation_factor must be at least 1; got 0.9"),
    ],
)
def test_a_wrong_value_is_refused_with_its_line_key_value_and_what_is_allowed(held, old, new, told):
    text = FLEET_TOML.replace(old, new, 1)
    with pytest.raises(BadInput) as caught:
        held.act("enroll", {"text": text, "source": "mine.toml"})
    assert told in str(caught.value)
    assert str(caught.value).startswith(f"mine.toml:{line_of(text, new)}: ")
    assert load_fleet(held).unit("heron-point", "main").uvt_pct == 82.0  # nothing was written


@pytest.mark.parametrize(("old", "new", "told"), [
    ("red_mj_cm2 = 28", "red_mj_cm2 = -28", "point 3: red_mj_cm2 must be above 0; got -28"),
    ("red_mj_cm2 = 28", 'red_mj_cm2 = "28"', "point 3: red_mj_cm2 must be a finite number, above 0; got '28'"),
    ("uncertainty_pct = 8", "uncertainty = 8", "point 2: unknown key 'uncertainty'; allowed: challenge_k_cm2_mj"),
    ("red_mj_cm2 = 62.5\n", "", "point 2: red_mj_cm2 is missing"),
    ("tests = [{ flow_l_min = 15,", "tests = [{ flow_l_min = 0,", "point 2: flow_l_min must be above 0"),
    ("tests = [{", "tests = 3 # [{", "tests must be written as [[reactor.tests]], one for each point; got 3"),
    ("equation = {",
     "tests = [{ flow_l_min = 9, uvt_pct = 75, intensity_w_m2 = 41, red_mj_cm2 = 62 }]\nequation = {",
     "tests cannot stand beside equation"),
])
def test_a_wrong_point_of_a_test_is_refused_with_its_line_and_number(old, new, told):
    text = FULL.replace(old, new, 1)
    with pytest.raises(BadInput) as refused:
        read_fleet(text)
    assert told in str(refused.value)
    line = int(str(refused.value).split(":")[1])
    if "missing" in told:
        assert text.splitlines()[line - 1] == "[[reactor.tests]]"
    else:
        assert new.split("\n")[0].split(" =")[0] in text.splitlines()[line - 1]


@pytest.mark.parametrize(("old", "new", "point"), [
    ("test_intensity_w_m2 = 41.0", "test_intensity_w_m2 = 1e308", 1),
    ("test_uvt_pct = 75.0", "test_uvt_pct = 1e-200", 1),
    ("intensity_w_m2 = 41\n", "intensity_w_m2 = 1e308\n", 2),
    ("flow_l_min = 15\n", "flow_l_min = 1e-308\n", 2),
])
def test_a_point_that_no_geometry_can_be_held_against_is_refused_and_nothing_is_stored(held, old, new, point):
    text = FLEET_TOML.replace(REACTOR, REACTOR + """[[reactor.tests]]
flow_l_min = 15
uvt_pct = 75
intensity_w_m2 = 41
red_mj_cm2 = 62.5
""", 1)
    with pytest.raises(BadInput, match=rf"point {point} \(.* is over 1,000,000 times off"):
        held.act("enroll", {"text": text.replace(old, new, 1)})
    assert load_fleet(held).reactors[0].tests == ()
    held.act("enroll", {"text": text})
    assert len(load_fleet(held).reactors[0].tests) == 1


def test_a_wrong_value_far_down_is_found_on_its_own_line():
    text = FLEET_TOML[::-1].replace("uvt_pct = 82.0"[::-1], "uvt_pct = 0.0"[::-1], 1)[::-1]
    with pytest.raises(
        BadInput, match=rf"^fleet.toml:{line_of(text, 'uvt_pct = 0.0')}: unit of otter-cove: uvt_pct"
    ):
        read_fleet(text)


@pytest.mark.parametrize(
    ("text", "match"),
    [
        ("x = ", "fleet.toml: "),
        ("[[pump]]\nname = 'a'", "unknown table 'pump'; allowed: reactor, cabin, contact"),
        ("[reactor]\nname = 'a'", r"reactor must be written as \[\[reactor\]\]"),
        ("cabin = 5", r"must be written as \[\[cabin\]\]"),
        ("cabin = ['a']", r"must be written as \[\[cabin\]\]"),
        (
            REACTOR + cabin_toml("a") + "[cabin.unit]\nslug = 'main'",
            r"unit of cabin 'a' must be written as \[\[cabin.unit\]\]",
        ),
        (
            REACTOR + cabin_toml("a").replace("trip =", "unit = 5\ntrip ="),
            r"must be written as \[\[cabin.unit\]\]; got 5",
        ),
        (cabin_toml("a", "main"), "names the reactor 'annular-40'; enrolled are: none"),
        (REACTOR + REACTOR, "reactor 'annular-40' stands twice"),
        (REACTOR + cabin_toml("a") + cabin_toml("a"), "cabin 'a' stands twice"),
        (REACTOR + cabin_toml("a", "main", "main"), "unit 'main' stands twice in cabin 'a'"),
        ("[judging]\ntwo_ends_s = 0", "fleet.toml:2: judging: two_ends_s must be above 0 and at most 3600; got 0"),
        ("[judging]\nstale_h = 1", "fleet.toml:2: judging: unknown key 'stale_h'; allowed: stale_min, two_ends_s"),
        ("[[judging]]\nstale_min = 1", r"judging must be written as one table \[judging\]"),
        ("[[reactor]]\nname = 'a'", "fleet.toml:1: reactor: chamber_inner_radius_cm is missing"),
        (
            "[[contact]]\nname = 'Kim'\nrole = 'boss'",
            "role must be one of manager, service, owner, guest, health-authority; got 'boss'",
        ),
        ("[[contact]]\nname = 'Kim'\nrole = 'owner'\nquiet_from = '22:00'", "go together"),
        (
            "[[contact]]\nname = 'Kim'\nrole = 'owner'\ncabins = 'heron-point'",
            "cabins must be a list of texts; got 'heron-point'",
        ),
        ("[[contact]]\nname = 'Kim'\nrole = 'owner'\nchannels = [5]", "channels must be a list of texts"),
    ],
)
def test_a_file_that_cannot_be_is_refused_whole(tmp_path, text, match):
    store = Store(tmp_path / "x.duckdb")
    with pytest.raises(BadInput, match=match):
        store.act("enroll", {"text": text})
    assert load_fleet(Local(store.con)).cabins == ()
    store.close()


def test_a_new_profile_is_worked_out_for_old_readings_where_a_person_says_that_it_held_then(held):
    held.con.execute("""INSERT INTO reading BY NAME SELECT 'heron-point' AS cabin, 'main' AS unit,
        TIMESTAMPTZ '2026-11-25 07:00:00Z' + n * INTERVAL 1 MINUTE AS "at", TRUE AS lamp_on, 41.0 AS intensity_w_m2,
        10.0 AS flow_l_min FROM range(60) AS t(n)""")
    held.con.execute("INSERT INTO pending SELECT 'heron-point', 'main', min(\"at\"), max(\"at\") FROM reading")
    held.act("evaluate", {})
    before = held.ask("SELECT DISTINCT kind FROM segment")["kind"].tolist()
    text = FLEET_TOML.replace("dose_target_mj_cm2 = 40.0", "dose_target_mj_cm2 = 4000.0")
    held.act("enroll", {"text": text})
    assert held.ask("SELECT DISTINCT kind FROM segment")["kind"].tolist() == before
    held.act("enroll", {"text": text, "since": "2026-11-01T00:00:00Z"})
    after = held.ask("SELECT DISTINCT kind FROM segment WHERE kind <> 'warming'")["kind"].tolist()
    assert "lit" in before
    assert after == ["weak"]


CONTACT = '[[contact]]\nname = "Kim"\nrole = "owner"\nphone = "1"\n'


@pytest.mark.parametrize("broken", [
    "\\n", "\\r", "\\t", "\\u001b[31m", "\\u0000", "\\u007f", "\\u0085", "\\u2028", "\\u2029", "\\u202e",
    "\\u2066"])
@pytest.mark.parametrize(("was", "key"), [
    ('name = "Heron-Point"', "name"), ('trip = "north-shore"', "trip"), ('name = "Kim"', "name"),
    ('phone = "1"', "phone"), ('supply_line = "line-7"', "supply_line")])
def test_a_name_that_would_not_stay_in_its_line_is_refused_with_where_and_what_is_allowed(broken, was, key):
    """A forged line in `status` would be believed as ours."""
    text = FLEET_TOML.replace("latitude", 'supply_line = "line-7"\nlatitude', 1) + CONTACT
    line = line_of(text, was)
    with pytest.raises(BadInput) as told:
        read_fleet(text.replace(was, f'{was[:-1]}{broken}WRONG broker: down"', 1))
    said = str(told.value)
    assert said.startswith(f"fleet.toml:{line}: ") and f"{key} must be one line without control characters" in said
    assert said.isprintable()


@pytest.mark.parametrize("name", [
    "\u0141\u0105ka", "\u6e56\u7554", "\u062e\u0627\u0646\u0647\u200c\u06cc", "\U0001f469\u200d\U0001f467 cabin",
    "O\u2019Brien", "a\u00a0b"])
def test_names_of_any_script_are_taken(name):
    assert read_fleet(FLEET_TOML.replace('name = "Heron-Point"', f'name = "{name}"')).cabins[0].name == name


def test_a_store_of_before_that_rule_is_read_with_spaces_in_the_names(held):
    held.con.execute("UPDATE cabin SET name = 'Heron' || chr(10) || 'Point', trip = 'a' || chr(13) || 'b'")
    held.con.execute("UPDATE registry_revision SET id = 'edited'")
    assert {(one.name, one.trip) for one in load_fleet(held).cabins} == {("Heron Point", "a b")}


@pytest.mark.parametrize(("text", "why"), [
    ("[[cabin]]\nslug = {}\n", r"fleet.toml:\d+: cabin: .*is missing"),
    (FLEET_TOML.replace('slug = "heron-point"', "slug = {}"), r"slug must be a text; got \{\}"),
    (FLEET_TOML.replace('slug = "heron-point"', "slug = {a = {b = {}}}"), "slug must be a text"),
    (FLEET_TOML.replace('slug = "heron-point"', 'slug = "{0} {x}"'), "slug must be 1 to 63"),
    ("a = " + "[" * 100_000, "too deep"),
    ("cabin = " + "[" * 2_000 + "]" * 2_000, "too deep"),
    ("[[cabin]]\nslug = " + "{a = " * 3_000, "too deep"),
    ("[cabin." + ".".join("a" * 5_000) + "]", "too deep|must be written as"),
], ids=["bare", "table", "tables", "braces", "lists", "closed", "inline", "dotted"])
def test_what_is_nested_where_a_text_belongs_is_refused_in_words(text, why):
    with pytest.raises(BadInput, match=why):
        read_fleet(text)


CREW = '\n[crew]\ndays = ["fri", "mon"]\nholidays = ["2027-01-01", "2026-12-25"]\n'


def test_the_crews_days_go_out_and_in_and_are_refused_with_their_line(held):
    held.act("enroll", {"text": FLEET_TOML})
    assert load_fleet(held).own_crew is None and load_fleet(held).crew.works_on(date(2026, 12, 25))
    held.act("enroll", {"text": FLEET_TOML + CREW})
    crew = load_fleet(held).crew
    assert crew == CrewPolicy(days=("mon", "fri"), holidays=("2026-12-25", "2027-01-01"))
    assert read_fleet(write_fleet(load_fleet(held))).own_crew == crew
    assert "crew" in held.act("enroll", {"text": FLEET_TOML + CREW})["same"]
    # 25 December 2026 is a Friday, 21 December a Monday (a calendar of that year)
    assert [day for day in range(18, 29) if crew.works_on(date(2026, 12, day))] == [18, 21, 28]
    for old, new, said in (
            ('"mon"', '"monday"', "days must be a list of at least one of mon, tue"),
            ('["fri", "mon"]', "[]", "days must be a list of at least one of"),
            ('"2026-12-25"', '"25 Dec"', "holidays must be dates like '2026-12-25'; got '25 Dec'"),
            ('"2026-12-25"', "2026", "holidays must be a list of texts")):
        wrong = (FLEET_TOML + CREW).replace(old, new)
        with pytest.raises(BadInput) as refused:
            read_fleet(wrong)
        line = next(n for n, text in enumerate(wrong.splitlines(), 1) if text.startswith(said.split()[0] + " ="))
        assert said in str(refused.value) and f"fleet.toml:{line}:" in str(refused.value)


# Topics of units' own --------------------------------------------------------------------------------------------

TOPICS = """
[[cabin.unit.topics]]
topic = "heron/uv/+/state"
time = "/ts"
time_in = "ms"
values = [
  { path = "/uv/sensor", column = "intensity_w_m2", unit = "mW/cm2" },
  { path = "/lamp", column = "lamp_on" },
]
[[cabin.unit.topics]]
topic = "heron/flow"
device = "flow-meter"
values = [{ column = "flow_l_min", unit = "gpm" }]
"""


def test_topics_of_a_unit_come_back_from_the_store_and_from_what_is_written_out(held):
    held.act("enroll", {"text": FLEET_TOML + TOPICS})
    fleet = load_fleet(held)
    assert fleet.topics.at("heron/uv/3/state")[0] == ("otter-cove", "annex")
    assert fleet.topics.filters() == {"heron/uv/+/state": True, "heron/flow": False}
    assert read_fleet(write_fleet(fleet)) == fleet
    assert fleet.unit("otter-cove", "annex") == read_fleet(FLEET_TOML + TOPICS).unit("otter-cove", "annex")
    told = held.act("enroll", {"text": write_fleet(fleet)})
    assert (told["new"], told["changed"]) == ([], [])


@pytest.mark.parametrize(("old", "new", "match"), [
    ('column = "lamp_on"', 'column = "lamp"',
     r":\d+: unit of otter-cove: topic 'heron/uv/\+/state', value 2: column must be one of"),
    ('unit = "gpm"', 'unit = "bar"',
     r"topic 'heron/flow', value 1: unit of flow_l_min must be one of l/min, .*'bar'"),
    ('"/lamp"', '"lamp"', "value 2: path must be a JSON Pointer"),
    ('"ms"', '"min"', r"topic 'heron/uv/\+/state': time_in must be one of iso, s, ms; got 'min'"),
    ('"heron/flow"', '"tarnlight/x/y/log"', "topic must begin with a level of its own"),
    ('"heron/flow"', '"heron/uv/1/state"', "fit the same topics: a topic belongs to one unit"),
    ('topic = "heron/flow"', 'tpoic = "heron/flow"',
     "unknown key 'tpoic'; allowed: device, time, time_in, topic, values"),
    ('[{ column = "flow_l_min", unit = "gpm" }]', '"flow"', "values must be a list like"),
])
def test_a_topic_that_cannot_be_is_refused_with_its_place(old, new, match):
    text = FLEET_TOML + TOPICS
    assert old in text
    with pytest.raises(BadInput, match=match):
        read_fleet(text.replace(old, new), "f.toml")


def test_a_line_that_is_wrong_in_a_topic_is_named(tmp_path):
    text = FLEET_TOML + TOPICS.replace('time_in = "ms"', 'time_in = "min"')
    line = 1 + text.splitlines().index('time_in = "min"')
    with pytest.raises(BadInput, match=f"^f.toml:{line}: "):
        read_fleet(text, "f.toml")


# Controllers ------------------------------------------------------------------------------------------------------

CONTROLLER = """
[cabin.unit.controller]
address = "10.0.4.7:1502"
low_word_first = true
registers = [
  { address = 12, type = "float32", column = "intensity_w_m2", unit = "mW/cm2", scale = 0.1, absent = [-1.0, 0] },
  { bank = "coil", address = 3, column = "lamp_on", inverted = true },
]
"""


def test_a_controller_comes_back_from_the_store_and_from_what_is_written_out(held):
    held.act("enroll", {"text": FLEET_TOML + CONTROLLER})
    fleet = load_fleet(held)
    assert polled(fleet) == {("otter-cove", "annex"): (fleet.unit("otter-cove", "annex").controller, 60.0)}
    assert read_fleet(write_fleet(fleet)) == fleet
    assert fleet.unit("otter-cove", "annex") == read_fleet(FLEET_TOML + CONTROLLER).unit("otter-cove", "annex")
    told = held.act("enroll", {"text": write_fleet(fleet)})
    assert (told["new"], told["changed"]) == ([], [])


@pytest.mark.parametrize(("old", "new", "match"), [
    ('"coil"', '"coils"', "unit of otter-cove: controller, register 2: bank must be one of holding, input, coil"),
    ('unit = "mW/cm2"', 'unit = "mW"', "controller, register 1: unit of intensity_w_m2 must be one of W/m2"),
    ("address = 12,", "", "controller, register 1: address is missing"),
    ('"10.0.4.7:1502"', "7", "controller: address must be a text; got 7"),
    ("low_word_first", "lowest_first", "controller: unknown key 'lowest_first'; allowed: address, device_id"),
    ("registers = [", "registers = 5\nwrong = [", "controller must be a table"),
])
def test_a_controller_that_cannot_be_is_refused(old, new, match):
    text = FLEET_TOML + CONTROLLER
    assert old in text
    with pytest.raises(BadInput, match=match):
        read_fleet(text.replace(old, new))
