"""The store's tables, as numbered steps; a step is never edited once released."""

from __future__ import annotations

import duckdb

_FIRST = """
-- Registry ---------------------------------------------------------------------------------------
CREATE TABLE reactor (name VARCHAR NOT NULL, profile JSON NOT NULL);      -- one row per kind of unit
CREATE TABLE cabin (                                                       -- one row per cabin
    slug VARCHAR NOT NULL, name VARCHAR NOT NULL, time_zone VARCHAR NOT NULL, latitude DOUBLE NOT NULL,
    longitude DOUBLE NOT NULL, altitude_m DOUBLE, trip VARCHAR NOT NULL, calendar VARCHAR NOT NULL);
CREATE TABLE unit (                                                        -- one row per unit of a cabin
    cabin VARCHAR NOT NULL, slug VARCHAR NOT NULL, reactor VARCHAR NOT NULL, profile JSON NOT NULL);
CREATE TABLE contact (name VARCHAR NOT NULL, role VARCHAR NOT NULL, profile JSON NOT NULL);

-- Evidence ---------------------------------------------------------------------------------------
-- One row per unit and instant. No primary key: it would cost seven times the file;
-- an anti-join within the batch's own time window keeps rows unique.
CREATE TABLE reading (
    cabin VARCHAR NOT NULL, unit VARCHAR NOT NULL, "at" TIMESTAMPTZ NOT NULL,
    lamp_on BOOLEAN, power_on BOOLEAN, intensity_w_m2 DOUBLE, flow_l_min DOUBLE, total_l DOUBLE,
    uvt_pct DOUBLE, water_temp_c DOUBLE, battery_v DOUBLE, lamp_hours DOUBLE);
CREATE TABLE link_event (                                                  -- one row per change told
    cabin VARCHAR NOT NULL, unit VARCHAR NOT NULL, "at" TIMESTAMPTZ NOT NULL, up BOOLEAN NOT NULL);
CREATE TABLE quarantine (                                                  -- one row per refused record
    arrived_at TIMESTAMPTZ NOT NULL, source VARCHAR NOT NULL, cabin VARCHAR, unit VARCHAR,
    payload BLOB NOT NULL, reason VARCHAR NOT NULL);
CREATE TABLE service_event (                                               -- append-only
    id UUID NOT NULL, cabin VARCHAR NOT NULL, unit VARCHAR NOT NULL, "at" TIMESTAMPTZ NOT NULL,
    kind VARCHAR NOT NULL, who VARCHAR NOT NULL, value DOUBLE, note VARCHAR NOT NULL,
    recorded_at TIMESTAMPTZ NOT NULL);
CREATE SEQUENCE advisory_number;
CREATE TABLE advisory (                                                    -- append-only: one row per advisory
    id VARCHAR NOT NULL, cabin VARCHAR NOT NULL, unit VARCHAR NOT NULL, raised_at TIMESTAMPTZ NOT NULL);
CREATE TABLE advisory_event (                                              -- append-only: what happened to it
    advisory VARCHAR NOT NULL, seq BIGINT NOT NULL, "at" TIMESTAMPTZ NOT NULL, body JSON NOT NULL,
    recorded_at TIMESTAMPTZ NOT NULL);

-- Derived: a pure function of the above, kept by the evaluation -----------------------------------
CREATE TABLE segment (                                                     -- per unit: time tiled by kind
    cabin VARCHAR NOT NULL, unit VARCHAR NOT NULL, start TIMESTAMPTZ NOT NULL, "end" TIMESTAMPTZ NOT NULL,
    kind VARCHAR NOT NULL, cause VARCHAR NOT NULL, rests_on VARCHAR NOT NULL, seconds DOUBLE NOT NULL,
    drawn_l DOUBLE, drawn_l_upper DOUBLE, underdosed_l DOUBLE, underdosed_l_upper DOUBLE,
    dose_low_mj_cm2 DOUBLE);
CREATE TABLE carry (                                                       -- per unit and hour: state at its end
    cabin VARCHAR NOT NULL, unit VARCHAR NOT NULL, "at" TIMESTAMPTZ NOT NULL, state JSON NOT NULL);
CREATE TABLE present (                                                     -- one row per unit: state now
    cabin VARCHAR NOT NULL, unit VARCHAR NOT NULL, "at" TIMESTAMPTZ NOT NULL, state JSON NOT NULL);
CREATE TABLE hourly (                                                      -- per unit and UTC hour
    cabin VARCHAR NOT NULL, unit VARCHAR NOT NULL, hour TIMESTAMPTZ NOT NULL,
    volume_l DOUBLE, underdosed_l DOUBLE, underdosed_l_upper DOUBLE, in_spec_l DOUBLE,
    dose_p05_mj_cm2 DOUBLE, dose_p50_mj_cm2 DOUBLE,
    lit_s DOUBLE, warming_s DOUBLE, weak_s DOUBLE, dark_s DOUBLE, unheard_s DOUBLE);

CREATE TABLE pending (                                                     -- what the evaluation still owes
    cabin VARCHAR NOT NULL, unit VARCHAR NOT NULL, since TIMESTAMPTZ NOT NULL, until TIMESTAMPTZ NOT NULL);

-- Between processes -------------------------------------------------------------------------------
CREATE TABLE request (                                                     -- what others ask the collector to do
    id VARCHAR NOT NULL, asked_at TIMESTAMPTZ NOT NULL, kind VARCHAR NOT NULL, body JSON NOT NULL);
CREATE TABLE answer (
    id VARCHAR NOT NULL, answered_at TIMESTAMPTZ NOT NULL, ok BOOLEAN NOT NULL, body JSON NOT NULL);
CREATE TABLE process (                                                     -- one row: who collects
    started_at TIMESTAMPTZ NOT NULL, beat_at TIMESTAMPTZ NOT NULL, pid BIGINT NOT NULL, broker VARCHAR NOT NULL,
    connected BOOLEAN NOT NULL, messages BIGINT NOT NULL, rows_kept BIGINT NOT NULL, refused BIGINT NOT NULL,
    trouble VARCHAR NOT NULL);
CREATE TABLE clock (wall_start TIMESTAMPTZ NOT NULL, store_start TIMESTAMPTZ NOT NULL, speed DOUBLE NOT NULL);
"""

_NOTIFICATIONS = """
-- Whom we tell of what. All but `told_until` is append-only; the key makes that nothing is put in line twice.
CREATE TABLE notification (                                                -- one row per message, reader, channel
    key VARCHAR PRIMARY KEY, event VARCHAR NOT NULL, kind VARCHAR NOT NULL, advisory VARCHAR NOT NULL,
    cabin VARCHAR NOT NULL, unit VARCHAR NOT NULL, contact VARCHAR NOT NULL, role VARCHAR NOT NULL,
    channel VARCHAR NOT NULL, number INTEGER NOT NULL, "at" TIMESTAMPTZ NOT NULL, due_at TIMESTAMPTZ NOT NULL,
    urgent BOOLEAN NOT NULL, title VARCHAR NOT NULL, body VARCHAR NOT NULL, queued_at TIMESTAMPTZ NOT NULL);
CREATE TABLE notification_attempt (                                        -- one row per try to deliver one
    key VARCHAR NOT NULL, "at" TIMESTAMPTZ NOT NULL, ok BOOLEAN NOT NULL, error VARCHAR NOT NULL);
CREATE TABLE told_until (                                                  -- one row per advisory: events seen
    advisory VARCHAR NOT NULL, seq BIGINT NOT NULL, lifted BOOLEAN NOT NULL);
CREATE TABLE confirmation (                                                -- who said "I have read it"
    advisory VARCHAR NOT NULL, "at" TIMESTAMPTZ NOT NULL, who VARCHAR NOT NULL);
"""

_DAILY = """
-- Derived, kept by the evaluation (ingest/evaluation/daily.py).
CREATE TABLE daily (                                                       -- one row per unit and UTC day past
    cabin VARCHAR NOT NULL, unit VARCHAR NOT NULL, day DATE NOT NULL,
    intensity_w_m2 DOUBLE,                                                 -- median of usable readings
    readings BIGINT NOT NULL,                                              -- how many were usable
    values_read BIGINT,                                                    -- how many different intensities, lit
    lamp_hours DOUBLE, lit_h DOUBLE, volume_l DOUBLE, uvt_pct DOUBLE, water_temp_c DOUBLE,
    fault VARCHAR NOT NULL, fault_evidence VARCHAR NOT NULL);
CREATE TABLE daily_owed (cabin VARCHAR NOT NULL, unit VARCHAR NOT NULL, day DATE NOT NULL);
-- What was heard before this step: worked out at the next evaluation.
INSERT INTO daily_owed SELECT DISTINCT cabin, unit, "at"::DATE FROM reading;
"""

_FAULTS = """
-- Units that could not be worked out, and why; a unit that stands here is never clear.
CREATE TABLE unit_fault (                                                  -- one row per unit and stage
    cabin VARCHAR NOT NULL, unit VARCHAR NOT NULL, stage VARCHAR NOT NULL, since TIMESTAMPTZ NOT NULL,
    error VARCHAR NOT NULL);
"""

_POLICY = """
CREATE TABLE step_policy (name VARCHAR NOT NULL, profile JSON NOT NULL);   -- at most one row: the fleet's own
"""

_SESSIONS = """
-- What the broker keeps for the collector while that is away (ingest/wire/sessions.py).
CREATE TABLE broker_session (                                              -- one row per broker's address
    broker VARCHAR NOT NULL, since TIMESTAMPTZ NOT NULL,                   -- when the session began
    heard_until TIMESTAMPTZ);                                              -- all published before it is stored
CREATE TABLE lost_session (                                                -- per stretch: messages may be lost
    broker VARCHAR NOT NULL, since TIMESTAMPTZ NOT NULL, until TIMESTAMPTZ NOT NULL);
-- The session of before this step went by another client id: what came since then may be lost.
INSERT INTO broker_session SELECT broker, beat_at, NULL FROM process WHERE messages > 0;
"""

_VERSIONS = """
-- From when a value of the registry holds: append-only, one row per edit. `revision` is the order of the edits: a
-- later one replaces what earlier ones said of the time from its `valid_from` on (models/fleet_history.py).
CREATE TABLE unit_version (
    cabin VARCHAR NOT NULL, unit VARCHAR NOT NULL, valid_from TIMESTAMPTZ NOT NULL, revision BIGINT NOT NULL,
    profile JSON NOT NULL);
CREATE TABLE reactor_version (
    name VARCHAR NOT NULL, valid_from TIMESTAMPTZ NOT NULL, revision BIGINT NOT NULL, profile JSON NOT NULL);
CREATE TABLE judging_version (
    valid_from TIMESTAMPTZ NOT NULL, revision BIGINT NOT NULL, profile JSON NOT NULL);
-- One row, another `id` after each edit: what was read under it may be kept in memory.
CREATE TABLE registry_revision (number BIGINT NOT NULL, id VARCHAR NOT NULL);
INSERT INTO registry_revision VALUES (0, uuid()::VARCHAR);
-- Volumes were 0 L where nobody had stated them. What is not stated is not known.
UPDATE unit SET profile = json_merge_patch(profile, '{"cold_plumbing_l": null}')
    WHERE json_extract(profile, '$.cold_plumbing_l')::DOUBLE = 0;
UPDATE unit SET profile = json_merge_patch(profile, '{"hot_tank_l": null}')
    WHERE json_extract(profile, '$.hot_tank_l')::DOUBLE = 0;
-- What was judged so far was judged under the present values.
INSERT INTO unit_version SELECT cabin, slug, TIMESTAMPTZ '1970-01-01 00:00:00Z', 0, profile FROM unit;
INSERT INTO reactor_version SELECT name, TIMESTAMPTZ '1970-01-01 00:00:00Z', 0, profile FROM reactor;
"""

_QUARANTINE = """
ALTER TABLE quarantine ADD COLUMN IF NOT EXISTS times BIGINT DEFAULT 1;  -- records that the row stands for
ALTER TABLE quarantine ADD COLUMN IF NOT EXISTS file VARCHAR;  -- the whole message, where it lies aside
CREATE TABLE quarantine_gone (                                             -- at most one row: what had to go
    records BIGINT NOT NULL, bytes BIGINT NOT NULL, until TIMESTAMPTZ NOT NULL);
"""

_EXPOSURE_STATE = """
    cabin VARCHAR NOT NULL, unit VARCHAR NOT NULL, "at" TIMESTAMPTZ NOT NULL,
    at_us BIGINT NOT NULL, intensity_w_m2_at_us BIGINT NOT NULL, flow_l_min_at_us BIGINT NOT NULL,
    total_l_at_us BIGINT NOT NULL, uvt_pct_at_us BIGINT NOT NULL, water_temp_c_at_us BIGINT NOT NULL,
    battery_v_at_us BIGINT NOT NULL, lamp_hours_at_us BIGINT NOT NULL, power_said BIGINT NOT NULL,
    power_said_at_us BIGINT NOT NULL, power BIGINT NOT NULL, power_since_us BIGINT NOT NULL,
    lamp_said BIGINT NOT NULL, lamp_said_at_us BIGINT NOT NULL, lamp_stated BIGINT NOT NULL,
    lamp_stated_since_us BIGINT NOT NULL, gap_at_us BIGINT NOT NULL, light_changed_at_us BIGINT NOT NULL,
    light_changed_gap_at_us BIGINT NOT NULL, lamp BIGINT NOT NULL, lit_from_us BIGINT NOT NULL,
    lit_least_us BIGINT NOT NULL, said_on_since_us BIGINT NOT NULL, intensity_same_since_us BIGINT NOT NULL,
    tick_at_us BIGINT NOT NULL, tick_slack_us BIGINT NOT NULL, tick_run BIGINT NOT NULL,
    finest_ul BIGINT NOT NULL, not_lit_since_tick_us BIGINT NOT NULL,
    possible_ul BIGINT NOT NULL, flow_most_ul BIGINT NOT NULL, flow_ul BIGINT NOT NULL,
    moved_ul BIGINT NOT NULL, tank_used_ul BIGINT NOT NULL, holds_ul BIGINT NOT NULL,
    suspect_ul BIGINT NOT NULL, sure_ul BIGINT NOT NULL, sure_least_ul BIGINT NOT NULL,
    other_least_ul BIGINT NOT NULL, metered_ul BIGINT NOT NULL, gap_ul BIGINT NOT NULL, gap_us BIGINT NOT NULL,
    span_us BIGINT NOT NULL, other_us BIGINT NOT NULL, intensity_w_m2 DOUBLE, flow_l_min DOUBLE,
    total_l DOUBLE, uvt_pct DOUBLE, water_temp_c DOUBLE, battery_v DOUBLE, lamp_hours DOUBLE,
    dose_low_mj_cm2 DOUBLE, dose_low_at_peak_mj_cm2 DOUBLE, lamp_stated_fresh BOOLEAN NOT NULL,
    lit_known BOOLEAN NOT NULL, other_before BOOLEAN NOT NULL
"""
_EXPOSURE = f"""
-- Time judged from both ends of every interval (models/exposure): all that is derived is worked out anew.
DROP TABLE carry; DROP TABLE present; DROP TABLE hourly; DELETE FROM segment;
-- A state to take up from, per unit and hour heard; and, in `present`, each unit's last. Whole microseconds and
-- microlitres; -2305843009213693952 stands for "never".
CREATE TABLE resume_state ({_EXPOSURE_STATE});
CREATE TABLE present ({_EXPOSURE_STATE});
-- Per unit and UTC hour; a quarter of one where local hours begin within it.
CREATE TABLE hourly (
    cabin VARCHAR NOT NULL, unit VARCHAR NOT NULL, hour TIMESTAMPTZ NOT NULL, volume_l DOUBLE,
    volume_l_upper DOUBLE, underdosed_l DOUBLE, underdosed_l_upper DOUBLE, in_spec_l DOUBLE,
    dose_p05_mj_cm2 DOUBLE, dose_p50_mj_cm2 DOUBLE,
    lit_s DOUBLE, warming_s DOUBLE, weak_s DOUBLE, dark_s DOUBLE, unheard_s DOUBLE);
INSERT INTO pending SELECT DISTINCT cabin, unit, TIMESTAMPTZ '2000-01-01 00:00:00+00',
    TIMESTAMPTZ '2000-01-01 00:00:00+00' FROM reading;
"""  # noqa: S608  (names of our own)

_PIECES = """
-- Derived: the under-dosed ones of `segment`, few however long the history.
CREATE TABLE underdosed (
    cabin VARCHAR NOT NULL, unit VARCHAR NOT NULL, start TIMESTAMPTZ NOT NULL, "end" TIMESTAMPTZ NOT NULL,
    kind VARCHAR NOT NULL, cause VARCHAR NOT NULL, underdosed_l DOUBLE, underdosed_l_upper DOUBLE NOT NULL,
    dose_low_mj_cm2 DOUBLE);
INSERT INTO underdosed SELECT cabin, unit, start, "end", kind, cause, underdosed_l, underdosed_l_upper,
    dose_low_mj_cm2 FROM segment WHERE underdosed_l_upper > 0;
-- Append-only: the pieces of under-dosed water that a lift answered, as they were known then. `lift` is the
-- advisory's number, or of a note that what lies long back was seen.
CREATE TABLE answered (
    cabin VARCHAR NOT NULL, unit VARCHAR NOT NULL, lift VARCHAR NOT NULL, number BIGINT NOT NULL,
    "at" TIMESTAMPTZ NOT NULL, start TIMESTAMPTZ NOT NULL, "end" TIMESTAMPTZ NOT NULL, kind VARCHAR NOT NULL,
    underdosed_l_upper DOUBLE NOT NULL, dose_low_mj_cm2 DOUBLE);
-- Lifts of before this step named no pieces: each answers the span of its advisory with the litres of its record,
-- and the tenth or five litres by which a record could lag behind.
INSERT INTO answered
    WITH exposed AS (
        SELECT advisory, json_extract(arg_max(body, seq), '$.exposure') AS exposure FROM advisory_event
        WHERE json_extract_string(body, '$.kind') IN ('raised', 'exposed', 'remeasured') GROUP BY ALL),
    lifted AS (SELECT advisory, "at" FROM advisory_event WHERE json_extract_string(body, '$.kind') = 'lifted'),
    told AS (
        SELECT a.cabin, a.unit, a.id, l."at", (x.exposure ->> '$.start')::TIMESTAMPTZ AS start,
            (x.exposure ->> '$.end')::TIMESTAMPTZ AS "end", x.exposure ->> '$.cause' AS cause,
            (x.exposure ->> '$.underdosed_l_upper')::DOUBLE AS most,
            (x.exposure ->> '$.dose_low_mj_cm2')::DOUBLE AS dose
        FROM advisory AS a JOIN exposed AS x ON x.advisory = a.id JOIN lifted AS l ON l.advisory = a.id)
    SELECT cabin, unit, id, 0, "at", start, coalesce("end", "at"),
        CASE cause WHEN 'unheard' THEN 'unheard' WHEN 'low-dose' THEN 'weak' WHEN 'warm-up-draw' THEN 'warming'
            ELSE 'dark' END,
        coalesce(most + greatest(5, most / 10), 'inf'::DOUBLE), dose
    FROM told WHERE cause <> 'manual';
-- Units to be weighed again at an instant without a message; one whose advisory stands and of which nothing ripens
-- by time alone has an instant that never comes. At the first start all are weighed.
CREATE TABLE to_watch (cabin VARCHAR NOT NULL, unit VARCHAR NOT NULL, due TIMESTAMPTZ NOT NULL);
INSERT INTO to_watch SELECT DISTINCT cabin, unit, TIMESTAMPTZ '2000-01-01 00:00:00Z' FROM advisory;
-- When a unit was first heard live; of before this step, by the broker's first word of its link.
CREATE TABLE first_live (cabin VARCHAR NOT NULL, unit VARCHAR NOT NULL, "at" TIMESTAMPTZ NOT NULL);
INSERT INTO first_live SELECT cabin, unit, min("at") FROM link_event GROUP BY ALL;
"""

_WITHDRAWN = """
-- Records of service that a named person took back: append-only, like the records themselves. `replaced_by` is the
-- record that stands in its place, where it was corrected.
CREATE TABLE service_withdrawn (                                           -- at most one row per record
    id UUID NOT NULL, "at" TIMESTAMPTZ NOT NULL, who VARCHAR NOT NULL, reason VARCHAR NOT NULL, replaced_by UUID);
-- What counts as done: whoever reads service reads it here.
CREATE VIEW service_done AS SELECT e.* FROM service_event AS e ANTI JOIN service_withdrawn USING (id);
-- Until now a failed sensor check divided no dose: units with one are worked out anew.
INSERT INTO pending SELECT DISTINCT cabin, unit, TIMESTAMPTZ '2000-01-01 00:00:00+00',
    TIMESTAMPTZ '2000-01-01 00:00:00+00' FROM service_event WHERE kind = 'sensor-checked' AND value > 1.2;
"""


_LABORATORY = """
-- What a laboratory found in a sample; append-only, one row per `service_event` whose result is there.
CREATE TABLE laboratory_result (
    service UUID NOT NULL, taken_at TIMESTAMPTZ NOT NULL,
    e_coli VARCHAR, total_coliforms VARCHAR,                               -- per 100 mL: a number, est, overgrown
    lab VARCHAR NOT NULL, lab_number VARCHAR NOT NULL,
    outcome VARCHAR NOT NULL,                                              -- by the policy of when it was recorded
    advisory VARCHAR);                                                     -- that it raised, or began again
INSERT INTO laboratory_result
    SELECT id, "at", NULL, NULL, '', '', CASE WHEN value > 0 THEN 'unsatisfactory' ELSE 'satisfactory' END, NULL
    FROM service_event WHERE kind = 'sampled' AND value IS NOT NULL;
"""

_LOWER_BOUNDS = """
-- Until now a check that passed with a ratio above 1 divided no lower bound: units with one are worked out anew.
INSERT INTO pending SELECT DISTINCT cabin, unit, TIMESTAMPTZ '2000-01-01 00:00:00+00',
    TIMESTAMPTZ '2000-01-01 00:00:00+00' FROM service_done
    WHERE kind = 'sensor-checked' AND value > 1 AND value <= 1.2;
"""

_SEVERITY = """
-- How much treatment the water of a stretch may have missed (models/exposure/severity.py); and each state's best
-- estimates of dose. All that is derived is worked out anew; until then NULL, which counts as untreated.
ALTER TABLE segment ADD COLUMN severity VARCHAR;
ALTER TABLE underdosed ADD COLUMN severity VARCHAR;
ALTER TABLE resume_state ADD COLUMN dose_mj_cm2 DOUBLE;
ALTER TABLE resume_state ADD COLUMN dose_at_peak_mj_cm2 DOUBLE;
ALTER TABLE present ADD COLUMN dose_mj_cm2 DOUBLE;
ALTER TABLE present ADD COLUMN dose_at_peak_mj_cm2 DOUBLE;
INSERT INTO pending SELECT DISTINCT cabin, unit, TIMESTAMPTZ '2000-01-01 00:00:00+00',
    TIMESTAMPTZ '2000-01-01 00:00:00+00' FROM reading;
"""

_CABIN_LIMITS = """
ALTER TABLE cabin ADD COLUMN septic_l_day DOUBLE;                          -- null: not known
ALTER TABLE cabin ADD COLUMN well_l_min DOUBLE;
ALTER TABLE cabin ADD COLUMN vulnerable BOOLEAN DEFAULT false;             -- infants or weak immunity drink there
"""

_ARRIVAL = """
-- When each row came, by the store's clock; null: before this was kept, so that it counts as come in its own time.
ALTER TABLE reading ADD COLUMN arrived_at TIMESTAMPTZ;
ALTER TABLE link_event ADD COLUMN arrived_at TIMESTAMPTZ;
"""

_BOOKINGS = """
-- When cabins are taken, by their calendars (ingest/bookings/kept.py).
CREATE TABLE booking (                                                     -- one row per stay; local days
    cabin VARCHAR NOT NULL, first_day DATE NOT NULL, last_day DATE NOT NULL,  -- the last is that of departure
    summary VARCHAR NOT NULL);
CREATE TABLE booking_feed (                                                -- one row per cabin with a calendar
    cabin VARCHAR NOT NULL, feed VARCHAR NOT NULL,                         -- a hash of its secret address
    tried_at TIMESTAMPTZ NOT NULL, read_at TIMESTAMPTZ,                    -- null: it never could be read
    since DATE, until DATE,                                                -- what the last reading speaks for
    trouble VARCHAR NOT NULL);                                             -- of the last try; empty: none
"""

_BACKUPS = """
CREATE TABLE backup_made (                                                 -- one row per copy of the store
    id VARCHAR NOT NULL, "at" TIMESTAMPTZ NOT NULL, bytes BIGINT);         -- null: being made
"""

_HELD = """
-- Rows and link events whose time cannot be right yet (ingest/db/held.py). `basis_s` is what was added, on arrival,
-- to the seconds since `boot` to get the time; `relative`: the row's time was told as before its arrival.
CREATE TABLE held_reading (
    cabin VARCHAR NOT NULL, unit VARCHAR NOT NULL, "at" TIMESTAMPTZ NOT NULL,
    lamp_on BOOLEAN, power_on BOOLEAN, intensity_w_m2 DOUBLE, flow_l_min DOUBLE, total_l DOUBLE,
    uvt_pct DOUBLE, water_temp_c DOUBLE, battery_v DOUBLE, lamp_hours DOUBLE,
    relative BOOLEAN NOT NULL, batch BIGINT NOT NULL, arrived_at TIMESTAMPTZ NOT NULL, boot VARCHAR NOT NULL,
    basis_s DOUBLE NOT NULL);
CREATE TABLE held_link (
    cabin VARCHAR NOT NULL, unit VARCHAR NOT NULL, "at" TIMESTAMPTZ NOT NULL, up BOOLEAN NOT NULL,
    batch BIGINT NOT NULL, boot VARCHAR NOT NULL, basis_s DOUBLE NOT NULL);
-- At most one row: the collector's clock, and its signs of life in seconds since `boot`, which nobody sets.
CREATE TABLE own_clock (
    good_until TIMESTAMPTZ, boot VARCHAR NOT NULL, basis_s DOUBLE NOT NULL, started_s DOUBLE NOT NULL,
    beat_s DOUBLE NOT NULL, suspect_since TIMESTAMPTZ, reason VARCHAR NOT NULL);  -- '' while it can be right
"""

_FLOOD = """
-- A row with `counted` (an id) stands for `times` refused records of a topic that came from `since` to
-- `arrived_at`; its payload is the last of them (ingest/db/flood.py).
ALTER TABLE quarantine ADD COLUMN counted VARCHAR;
ALTER TABLE quarantine ADD COLUMN since TIMESTAMPTZ;
CREATE TABLE topic_flood (                                                 -- one row per flood, kept for a week
    id VARCHAR NOT NULL, source VARCHAR NOT NULL, since TIMESTAMPTZ NOT NULL, "until" TIMESTAMPTZ NOT NULL,
    most_a_minute BIGINT NOT NULL);                                        -- messages
"""

_STAYS = """
ALTER TABLE booking ADD COLUMN vulnerable BOOLEAN DEFAULT false;           -- infants or weak immunity are in it
"""

_SUPPLY_LINE = """
ALTER TABLE cabin ADD COLUMN supply_line VARCHAR DEFAULT '';                -- cabins of one line lose power at once
"""

_PLAYED = """
-- of an advisory that loaded history alone has told of: its events by all that was loaded, each at its own instant,
-- made anew with each play; `known` is when that was, and what is asked of an instant before it reads these
CREATE TABLE played_event (
    advisory VARCHAR NOT NULL, seq INTEGER NOT NULL, "at" TIMESTAMPTZ NOT NULL, body VARCHAR NOT NULL,
    known TIMESTAMPTZ NOT NULL
);
"""

# The last look at the supply batteries: those that will likely not last (`ingest.evaluation.battery`).
_BATTERY = """
CREATE TABLE battery_outlook (
    cabin VARCHAR NOT NULL, unit VARCHAR NOT NULL, "at" TIMESTAMPTZ NOT NULL, volts DOUBLE NOT NULL,
    let_go_v DOUBLE NOT NULL, fall_v_h DOUBLE NOT NULL, earliest TIMESTAMPTZ NOT NULL, likely TIMESTAMPTZ NOT NULL,
    latest TIMESTAMPTZ
);
"""

_SIGNED = """
-- Append-only: who signed the record of a cabin's month, with its figures as they were (ingest/months/signed.py).
CREATE TABLE month_signed (
    id UUID NOT NULL, cabin VARCHAR NOT NULL, month VARCHAR NOT NULL,      -- as 2026-10, by the cabin's clock
    "at" TIMESTAMPTZ NOT NULL, who VARCHAR NOT NULL, figures VARCHAR NOT NULL,
    sha_hex VARCHAR NOT NULL);                                             -- SHA-256 of `figures`
"""

_COMMISSIONING = """
-- Append-only: what a named person said of an item of a checklist (models/commissioning/checklist.py), and what the
-- water before a unit was found to carry (models/water_quality.py). Rows of one `record` were sent at once.
CREATE TABLE commissioning_entry (
    record UUID NOT NULL, cabin VARCHAR NOT NULL, unit VARCHAR NOT NULL, occasion VARCHAR NOT NULL,
    item VARCHAR NOT NULL, state VARCHAR NOT NULL, value DOUBLE,           -- in the item's own unit
    "at" TIMESTAMPTZ NOT NULL, who VARCHAR NOT NULL, note VARCHAR NOT NULL, recorded_at TIMESTAMPTZ NOT NULL);
CREATE TABLE feed_water (
    record UUID NOT NULL, cabin VARCHAR NOT NULL, unit VARCHAR NOT NULL, quantity VARCHAR NOT NULL,
    value DOUBLE,                                                          -- null: an earlier one is taken back
    "at" TIMESTAMPTZ NOT NULL, who VARCHAR NOT NULL, note VARCHAR NOT NULL, recorded_at TIMESTAMPTZ NOT NULL);
"""

_LANGUAGES = """
ALTER TABLE cabin ADD COLUMN language VARCHAR DEFAULT 'en';                 -- of its notice, and of who has none
ALTER TABLE notification ADD COLUMN language VARCHAR DEFAULT 'en';          -- of the body, below the English
-- How to reach the guests of a stay, as a named person typed it; forgotten after it (ingest/notification/stays.py).
CREATE TABLE stay_contact (
    contact VARCHAR NOT NULL,                                              -- its name in messages: never who it is
    cabin VARCHAR NOT NULL, first_day DATE NOT NULL, last_day DATE NOT NULL, channel VARCHAR NOT NULL,
    address VARCHAR NOT NULL, language VARCHAR NOT NULL, who VARCHAR NOT NULL, "at" TIMESTAMPTZ NOT NULL);
"""

_ARCHIVE = """
-- Readings of whole months that lie in files beside the store and no more in `reading` (ingest/db/archive.py): a
-- row per unit and month, UTC.
CREATE TABLE archived_reading (
    cabin VARCHAR NOT NULL, unit VARCHAR NOT NULL, month TIMESTAMPTZ NOT NULL, "end" TIMESTAMPTZ NOT NULL,
    file VARCHAR NOT NULL,                                                 -- a bare name
    rows BIGINT NOT NULL, bytes BIGINT NOT NULL, sha_hex VARCHAR NOT NULL, -- SHA-256 of the file
    archived_at TIMESTAMPTZ NOT NULL);
-- Files of ours that nothing reads: begun and not yet archived, or brought back. To be deleted from `due` on.
CREATE TABLE archive_leftover (file VARCHAR NOT NULL, due TIMESTAMPTZ NOT NULL);
-- Months that a person brought back: they stay until a person archives again.
CREATE TABLE archive_stays (month TIMESTAMPTZ NOT NULL);
"""

_PROFILES = """
-- What was said of a kind of logger's files, as JSON (ingest/wire/profiles.py); the latest row of a name holds.
CREATE TABLE load_profile (name VARCHAR NOT NULL, body VARCHAR NOT NULL, "at" TIMESTAMPTZ NOT NULL);
"""

_COUNTERPART = """
-- What the other collector of a cabin says and recorded (ingest/counterpart).
CREATE TABLE counterpart_verdict (                                         -- one row per unit: what it said last
    cabin VARCHAR NOT NULL, unit VARCHAR NOT NULL, place VARCHAR NOT NULL, "at" TIMESTAMPTZ NOT NULL,
    body JSON NOT NULL);
CREATE TABLE counterpart_record (                                          -- append-only: per record and way
    id VARCHAR NOT NULL, way VARCHAR NOT NULL,                             -- sent, heard, or echo: stays here
    "at" TIMESTAMPTZ NOT NULL);
CREATE SEQUENCE counterpart_number;
CREATE TABLE counterpart_inbox (                                           -- records that came and wait
    number BIGINT NOT NULL, id VARCHAR NOT NULL, cabin VARCHAR NOT NULL, body JSON NOT NULL,
    received_at TIMESTAMPTZ NOT NULL);
CREATE TABLE counterpart_lift (                                            -- lifts there, to be followed here
    cabin VARCHAR NOT NULL, unit VARCHAR NOT NULL, lift VARCHAR NOT NULL, who VARCHAR NOT NULL,
    "at" TIMESTAMPTZ NOT NULL, reason VARCHAR NOT NULL);
"""

_SUCCESSION = """
-- Append-only: who retired, renamed, moved or took back what (ingest/registry/succession.py). A unit of '' is the
-- cabin itself, a cabin of '' a contact by its key.
CREATE TABLE registry_deed (
    revision BIGINT NOT NULL, "at" TIMESTAMPTZ NOT NULL, who VARCHAR NOT NULL, kind VARCHAR NOT NULL,
    was_cabin VARCHAR NOT NULL, was_unit VARCHAR NOT NULL, now_cabin VARCHAR, now_unit VARCHAR,
    reason VARCHAR NOT NULL);
CREATE TABLE retired (                                                     -- as it was enrolled last
    cabin VARCHAR NOT NULL, unit VARCHAR NOT NULL, profile JSON NOT NULL);
-- A contact is who has its key, whatever name or role it bears; of before this step, one made of its name.
ALTER TABLE contact ADD COLUMN key VARCHAR;
UPDATE contact SET key = found.key FROM (
    WITH plain AS (
        SELECT name, role, coalesce(nullif(trim(left(
            regexp_replace(lower(strip_accents(name)), '[^a-z0-9]+', '-', 'g'), 50), '-'), ''), role) AS base
        FROM contact)
    SELECT name, role, CASE row_number() OVER (PARTITION BY base ORDER BY role, name)
        WHEN 1 THEN base ELSE base || '-' || role END AS key FROM plain) AS found
    WHERE contact.name = found.name AND contact.role = found.role;
"""

_COUNTERPART_LIFTS = """
-- A lift at the other collector is followed for the advisory that stood here when it came, and for a time.
DELETE FROM counterpart_lift;
ALTER TABLE counterpart_lift ADD COLUMN advisory VARCHAR;
ALTER TABLE counterpart_lift ADD COLUMN failed VARCHAR;                    -- JSON: samples of which it knew
ALTER TABLE counterpart_lift ADD COLUMN heard_at TIMESTAMPTZ;
-- Append-only: who said that a cabin's other collector is no more; what it told until then counts no more.
CREATE TABLE counterpart_given_up (
    cabin VARCHAR NOT NULL, "at" TIMESTAMPTZ NOT NULL, who VARCHAR NOT NULL, reason VARCHAR NOT NULL,
    told VARCHAR NOT NULL);                                                -- what it had said last
"""

MIGRATIONS: tuple[str, ...] = (
    _FIRST, _NOTIFICATIONS, _DAILY, _FAULTS, _POLICY, _SESSIONS, _VERSIONS, _QUARANTINE, _EXPOSURE, _PIECES,
    _WITHDRAWN, _LABORATORY, _LOWER_BOUNDS, _SEVERITY, _CABIN_LIMITS, _ARRIVAL, _BOOKINGS, _BACKUPS, _HELD, _FLOOD,
    _STAYS, _SUPPLY_LINE, _PLAYED, _BATTERY, _SIGNED, _COMMISSIONING, _LANGUAGES, _ARCHIVE, _PROFILES,
    _SUCCESSION, _COUNTERPART, _COUNTERPART_LIFTS)


def migrate(con: duckdb.DuckDBPyConnection, *, until: int | None = None) -> int:
    """Bring the store's tables to this version (or to `until`); each step whole or not at all.

    Returns
    -------
    int
        The version that the store has now.

    Raises
    ------
    ValueError
        If the store was written by a later version of this program.
    """
    con.execute(
        "CREATE TABLE IF NOT EXISTS schema_version (version INTEGER NOT NULL, applied_at TIMESTAMPTZ NOT NULL)"
    )
    found = con.execute("SELECT coalesce(max(version), 0) FROM schema_version").fetchone()
    version = int(found[0]) if found else 0
    if version > len(MIGRATIONS):
        raise ValueError(
            f"the store is of version {version}, this program knows {len(MIGRATIONS)}: install a later tarnlight"
        )
    for number, step in enumerate(MIGRATIONS[:until], start=1):
        if number <= version:
            continue
        con.execute("BEGIN")
        try:
            con.execute(step)
            con.execute("INSERT INTO schema_version VALUES ($number, now())", {"number": number})
            con.execute("COMMIT")
        except duckdb.Error:
            con.execute("ROLLBACK")
            raise
        version = number
    return version
