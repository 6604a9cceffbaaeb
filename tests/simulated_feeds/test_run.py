"""Simulated units: repeatable, continuable, and doing what cabins do."""

import time
import tomllib
from dataclasses import replace
from datetime import UTC, datetime, timedelta
from zoneinfo import ZoneInfo

import numpy as np
import pandas as pd
import pytest
from pandas.testing import assert_frame_equal

from simulated_feeds import fleet_toml, history_frames, run, simulate
from simulated_feeds.logger import Rows
from simulated_feeds.reactor import surviving_share
from simulated_feeds.scenario import Fault, Nature, sites
from simulated_feeds.weather import weather

NOW = datetime(2026, 11, 25, 16, 0, tzinfo=UTC)
FLEET = tomllib.loads(fleet_toml(12, 1, now=NOW))
CALM = Nature(cuts_per_year=0, link_losses_per_year=0, always_occupied=True, people=4)


def tables(cabin):
    found = next(one for one in FLEET["cabin"] if one["slug"] == cabin)
    reactors = {one["name"]: one for one in FLEET["reactor"]}
    return found["unit"][0], reactors[found["unit"][0]["reactor"]], found


def frames(cabin, days, *, seed=1, nature=None, end=NOW):
    return simulate(*tables(cabin), end - timedelta(days=days), end, seed, nature=nature)


@pytest.fixture(scope="module")
def month():
    return {cabin: found for cabin, unit, found in history_frames(FLEET, NOW - timedelta(days=30), NOW, 1)
            if unit == "main"}


def same(one, other):
    for name in ("readings", "truth", "service", "links"):
        assert_frame_equal(getattr(one, name), getattr(other, name), check_exact=True)


def test_the_same_seed_gives_the_same_run_and_another_does_not():
    same(frames("pike-narrows", 12), frames("pike-narrows", 12))
    assert not frames("pike-narrows", 12).readings.equals(frames("pike-narrows", 12, seed=2).readings)


@pytest.mark.parametrize("chunk_days", [1, 7, 64])
def test_the_size_of_the_chunks_changes_nothing(monkeypatch, chunk_days):
    for cabin in ("pike-narrows", "cedar-notch"):
        whole = frames(cabin, 70)
        with monkeypatch.context() as patch:
            patch.setattr(run, "CHUNK_DAYS", chunk_days)
            same(whole, frames(cabin, 70))


def test_a_feed_goes_on_where_the_history_ended():
    for site in sites(FLEET, 1):
        if site.cabin not in ("otter-ledge", "cedar-notch", "pike-narrows"):
            continue
        whole, parts = (run.UnitRun(site, origin=NOW - timedelta(days=20), now=NOW, seed=1) for _ in range(2))
        end_s = NOW.timestamp() + 40 * 3600
        rows, links = whole.deliver(end_s)
        steps = [parts.deliver(until) for until in (*np.arange(NOW.timestamp(), end_s, 5000.0), end_s)]
        joined = Rows.joined([one[0] for one in steps])
        assert_frame_equal(run.readings_frame(rows), run.readings_frame(joined), check_exact=True)
        assert np.array_equal(links, np.concatenate([one[1] for one in steps]))


def test_twelve_cabins_of_ninety_days_take_seconds():
    began = time.perf_counter()
    rows = sum(len(found.readings) for _, _, found in history_frames(FLEET, NOW - timedelta(days=90), NOW, 1))
    assert rows > 12 * 80 * 1440
    assert time.perf_counter() - began < 30  # 2.3 s alone; other work shares this machine


def test_the_meter_counts_what_flowed(month):
    for found in month.values():
        readings = found.readings.dropna(subset=["total_l"]).sort_values("true_at")
        truth = found.truth.set_index("at")["total_l"].reindex(readings["true_at"])
        short = truth.to_numpy() - readings["total_l"].to_numpy()
        assert short.min() > -1e-6
        assert short.max() < 0.1  # a meter shows whole tenths of a litre
        assert (readings["total_l"].diff().dropna() >= 0).all()


def test_metered_flow_over_time_is_the_total_but_for_what_falls_between_readings():
    found = frames("heron-point", 20, nature=CALM)
    drawn = found.truth["total_l"].iloc[-1] - found.truth["total_l"].iloc[0]
    assert found.readings["flow_l_min"].sum() == pytest.approx(drawn, rel=0.06)  # one minute each


def test_a_pump_without_power_gives_no_more_than_the_pressure_tank_holds():
    nature = replace(CALM, faults=(Fault(kind="power-cut", from_h=-30, until_h=-6),))
    found = frames("heron-point", 4, nature=nature)
    off = found.truth.loc[~found.truth["power_on"], "total_l"]
    assert 0 < off.iloc[-1] - off.iloc[0] <= tables("heron-point")[0]["drawdown_l"]
    dark = found.truth["dark_l"].iloc[-1] - found.truth["dark_l"].iloc[0]
    assert dark == pytest.approx(off.iloc[-1] - off.iloc[0], abs=1.0)  # cut and readings are not in step


def test_gravity_delivers_while_the_power_is_off():
    nature = replace(CALM, faults=(Fault(kind="power-cut", from_h=-30, until_h=-6),))
    found = frames("high-spring", 4, nature=nature)
    off = found.truth.loc[~found.truth["power_on"], "total_l"]
    assert off.iloc[-1] - off.iloc[0] > 100
    assert found.truth["dark_l"].iloc[-1] - found.truth["dark_l"].iloc[0] > 100


def test_only_water_past_a_dark_lamp_counts_as_dark(month):
    for found in month.values():
        truth = found.truth
        grew = np.diff(truth["dark_l"]) > 0
        lit_throughout = truth["lamp_on"].to_numpy()[:-1] & truth["lamp_on"].to_numpy()[1:]
        # a blip shorter than a reading's minute is the one way to be dark between two lit readings
        assert (grew & lit_throughout).sum() <= 5
        assert (np.diff(truth["underdosed_l"]) >= np.diff(truth["dark_l"]) - 1e-6).all()


def test_what_lives_on_follows_from_the_dose(month):
    """By hand: all of it past a dark lamp, one in ten thousand at 40 mJ/cm2 and above, 10 mJ/cm2 a log between."""
    for cabin in ("granite-stair", "heron-point"):
        truth = month[cabin].truth
        litres, alive = np.diff(truth["total_l"]), np.diff(truth["surviving_l"])
        dark, weak = np.diff(truth["dark_l"]), np.diff(truth["underdosed_l"])
        assert np.array_equal(truth["dose_mj_cm2"].dropna() > 0, truth["lamp_on"][truth["dose_mj_cm2"].notna()])
        whole = (litres > 0) & (dark == litres)
        assert np.allclose(alive[whole], litres[whole], rtol=1e-6)
        good = (litres > 0) & (weak < 1e-9)
        assert good.any()
        assert np.allclose(alive[good], 1e-4 * litres[good], rtol=1e-3, atol=1e-8)
        assert (alive[litres == 0] == 0).all()
    assert (np.diff(month["granite-stair"].truth["dark_l"]) > 0).any()  # its lamp fails
    assert surviving_share([0.0, 10.0, 25.0, 40.0, 200.0]).tolist() == pytest.approx(
        [1.0, 0.1, 10**-2.5, 1e-4, 1e-4])


def test_people_draw_in_the_morning_and_in_the_evening():
    found = frames("heron-point", 28, nature=CALM)
    litres = np.diff(found.truth["total_l"], append=np.nan)
    hour = found.truth["at"].dt.tz_convert(ZoneInfo("America/Toronto")).dt.hour
    per_hour = pd.Series(litres).groupby(hour).sum()
    assert per_hour[6:10].mean() > 2 * per_hour[10:16].mean()
    assert per_hour[17:22].mean() > 2 * per_hour[10:16].mean()
    assert per_hour[1:5].mean() < 0.15 * per_hour[6:10].mean()


def test_changeover_days_draw_more_than_others():
    found = frames("heron-point", 84, nature=CALM)
    local = found.truth["at"].dt.tz_convert(ZoneInfo("America/Toronto"))
    midday = local.dt.hour.between(10, 15)
    litres = pd.Series(np.diff(found.truth["total_l"], append=np.nan))[midday]
    by_day = litres.groupby(local.dt.day_of_week).mean()
    assert by_day[CALM.changeover] > 1.5 * by_day.drop(CALM.changeover).max()


def test_nobody_draws_in_an_empty_cabin(month):
    assert month["stillwater-hut"].truth["total_l"].nunique() == 1


def test_a_small_battery_runs_low_after_grey_days_and_not_after_bright_ones():
    nature = replace(CALM, power="solar", panel_w=500, battery_wh=2400)
    found = frames("pike-narrows", 365, nature=nature, end=datetime(2026, 12, 1, tzinfo=UTC))
    truth = found.truth
    lost = truth["at"][1:][truth["power_on"].to_numpy()[:-1] & ~truth["power_on"].to_numpy()[1:]]
    first = int(truth["at"].iloc[0].timestamp() // 86_400)
    sky = weather(1, "high-lakes", first - 3, first + 366)
    spell = pd.Series(sky.cloud, index=sky.days).rolling(3).mean()
    before = spell.reindex(lost.astype("int64") // 86_400_000_000).to_numpy()
    assert len(lost) > 10
    assert before.mean() > spell.mean() + 0.1


def test_a_lamp_ages_and_a_sleeve_fouls_until_they_are_seen_to():
    found = frames("fox-meadow", 400, end=datetime(2026, 11, 25, tzinfo=UTC))
    truth = found.truth.set_index("at")
    swap = found.service.loc[found.service["kind"] == "lamp-swapped", "at"].iloc[0]
    hour = pd.Timedelta(hours=1)
    before, after = (truth["lamp_log_output"].asof(swap + step) for step in (-hour, hour))
    assert after > before + 0.1
    sleeve = truth["sleeve_transmittance"]
    assert sleeve.asof(swap + hour) > sleeve.asof(swap - hour)
    readings = found.readings.dropna(subset=["lamp_hours"]).set_index("true_at")["lamp_hours"]
    assert readings.asof(swap - hour) > 5000
    assert readings.asof(swap + hour) < 1.1
    later = truth["lamp_log_output"][swap + pd.Timedelta(days=5):]
    assert later.iloc[-1] < later.iloc[0]


def test_some_work_is_done_that_nobody_writes_down():
    found = simulate(*tables("heron-point"), NOW - timedelta(days=1200), NOW, 1, nature=CALM)
    forgotten = found.service[~found.service["recorded"]]
    assert 0 < len(forgotten) < len(found.service) / 4
    assert set(forgotten["kind"]) == {"sleeve-cleaned"}
    tests = found.service[found.service["kind"] == "water-tested"]
    true = found.truth.set_index("at")["uvt_pct"].reindex(tests["at"], method="nearest")
    assert np.allclose(tests["value"], true, atol=2.0)


def test_a_storm_clouds_the_water_and_it_clears():
    found = frames("loon-shallows", 10)
    uvt = found.readings.dropna(subset=["uvt_pct"]).set_index("true_at")["uvt_pct"]
    assert uvt.iloc[-60:].mean() < uvt.iloc[:60].mean() - 3
    later = simulate(*tables("loon-shallows"), NOW + timedelta(days=3), NOW + timedelta(days=5), 1, now=NOW)
    assert later.readings["uvt_pct"].mean() > uvt.iloc[-60:].mean() + 3


def test_a_backlog_comes_in_one_go_when_the_link_is_back():
    before = frames("otter-ledge", 2)
    assert before.readings["true_at"].max() < pd.Timestamp(NOW) - pd.Timedelta(hours=7)
    assert not before.links["up"].iloc[-1]
    after = simulate(*tables("otter-ledge"), NOW - timedelta(days=2), NOW + timedelta(hours=1), 1, now=NOW)
    late = after.readings[after.readings["sent_at"] > pd.Timestamp(NOW)]
    backlog = late[late["sent_at"] == late["sent_at"].min()]
    assert len(backlog) > 7 * 60
    assert backlog["true_at"].is_monotonic_increasing
    assert 0 < late["sent_at"].min().timestamp() - NOW.timestamp() < 600
    assert backlog["power_on"].eq(False).any()


def test_a_logger_that_dies_with_the_power_wakes_up_in_1970():
    readings = frames("cedar-notch", 22).readings
    wrong = readings[readings["at"] != readings["true_at"]]
    assert 20 <= len(wrong) <= 30  # 25 minutes until its clock is set
    assert (wrong["at"].dt.year == 1970).all()
    gap = readings["true_at"].sort_values().diff().max()
    assert pd.Timedelta(minutes=60) < gap < pd.Timedelta(minutes=80)


def test_a_clock_that_stood_still_is_behind_by_the_time_it_was_dead():
    nature = replace(CALM, logger_backup_h=0.0, clock="behind",
                     faults=(Fault(kind="power-cut", from_h=-30, until_h=-25),))
    readings = frames("cedar-notch", 3, nature=nature).readings
    wrong = readings[readings["at"] != readings["true_at"]]
    behind_h = (wrong["true_at"] - wrong["at"]).dt.total_seconds() / 3600
    assert len(wrong) >= 20
    assert behind_h.between(4.98, 5.02).all()


def test_a_failed_lamp_is_dark_with_the_power_on(month):
    truth = month["granite-stair"].truth
    dark = truth[~truth["lamp_on"]]
    spell = dark[dark["at"].between(pd.Timestamp(NOW) - pd.Timedelta(hours=306),
                                    pd.Timestamp(NOW) - pd.Timedelta(hours=288))]
    assert len(spell) == pytest.approx(18 * 60, abs=2)
    assert spell["power_on"].all()


def test_what_a_sensor_cannot_tell_is_not_in_its_reading(month):
    readings = month["loon-shallows"].readings
    for column, step in (("intensity_w_m2", 0.1), ("flow_l_min", 0.1), ("uvt_pct", 0.1), ("lamp_hours", 0.01)):
        values = readings[column].dropna() / step
        assert np.allclose(values, np.round(values), atol=1e-6)
    assert month["heron-point"].readings["uvt_pct"].isna().all()
    assert month["heron-point"].readings["battery_v"].isna().all()
    assert month["pike-narrows"].readings["battery_v"].dropna().between(21, 30).all()


def test_an_event_row_holds_its_flag_and_nothing_else(month):
    readings = month["birch-landing"].readings
    events = readings[readings["total_l"].isna()]
    assert len(events) >= 2
    assert events[["intensity_w_m2", "flow_l_min", "lamp_hours"]].isna().all(axis=None)
    assert events[["lamp_on", "power_on"]].notna().any(axis=1).all()


@pytest.mark.parametrize("now", [
    NOW, datetime(2027, 2, 3, 5, 17, tzinfo=UTC), datetime(2026, 7, 4, 22, tzinfo=UTC)])
@pytest.mark.parametrize("seed", [1, pytest.param(77, marks=pytest.mark.slow)])
def test_at_now_there_is_something_to_see_whenever_now_is(now, seed):
    fleet = tomllib.loads(fleet_toml(12, seed, now=now))
    found = {(cabin, unit): one for cabin, unit, one in history_frames(fleet, now - timedelta(days=5), now, seed)}
    drawn = {key: one.truth["dark_l"].iloc[-1] - one.truth.set_index("at")["dark_l"].asof(
        pd.Timestamp(now) - pd.Timedelta(days=3)) for key, one in found.items()}
    assert drawn["birch-landing", "main"] > 5
    assert found["loon-shallows", "main"].truth["uvt_pct"].iloc[-1] < 77  # cloudy, seen live
    assert found["birch-landing", "main"].truth["power_on"].iloc[-1]
    assert [key for key, one in found.items() if not one.links["up"].iloc[-1]] == [("otter-ledge", "main")]
    clear = [key for key, litres in drawn.items() if litres == 0]
    assert len(clear) >= 6
    strong = chamber_margin(found["ember-cove", "main"])
    assert 0.25 < strong < 0.75


def chamber_margin(found):
    """Share of a new lamp's output in a clean sleeve."""
    last = found.truth.iloc[-1]
    return last["lamp_output"] * last["sleeve_transmittance"] / 0.92


def test_a_time_without_zone_is_refused():
    with pytest.raises(ValueError, match="needs its zone"):
        simulate(*tables("heron-point"), datetime(2026, 1, 1), NOW, 1)


def test_an_end_before_the_start_is_refused():
    with pytest.raises(ValueError, match="end must not be before start"):
        simulate(*tables("heron-point"), NOW, NOW - timedelta(days=1), 1)


@pytest.mark.parametrize("cadence_s", [5, 7, 300, 1800])
def test_any_whole_cadence_is_kept(cadence_s):
    unit, reactor, cabin = tables("heron-point")
    found = simulate({**unit, "cadence_s": cadence_s}, reactor, cabin, NOW - timedelta(hours=20), NOW, 1,
                     now=NOW, nature=CALM)
    apart = found.readings["at"].diff().dropna().dt.total_seconds()
    assert (apart == cadence_s).all()


def test_a_cadence_of_broken_seconds_is_refused():
    unit, reactor, cabin = tables("heron-point")
    with pytest.raises(ValueError, match=r"cadence_s of heron-point/main must be whole seconds.*2\.5"):
        simulate({**unit, "cadence_s": 2.5}, reactor, cabin, NOW - timedelta(hours=2), NOW, 1)
