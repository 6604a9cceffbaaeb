"""After a power cut, on a phone: what happened, how it is now, the one next step, and when it is over.

The address names the unit (`?cabin=slug&unit=slug`); without one it is the cabin's worst.
"""

from __future__ import annotations

from collections.abc import Sequence
from datetime import datetime, timedelta
from typing import Any

import streamlit as st

from dashboard.access import ask_anew, get_fleet, get_settings, present, reader_units, status_of
from dashboard.charts.after_cut import cut_figure
from dashboard.charts.readings import Span
from dashboard.chosen import full_name
from dashboard.lamp_access import get_touched
from dashboard.sheets.notice_pdf import Paper, cabin_url, notice_pdf
from dashboard.text import lines, markup, recovery
from dashboard.text import verdicts as words
from dashboard.text.measures import Units, local
from dashboard.text.recovery import NextStep, Waits
from dashboard.text.step_facts import step_facts, step_here, step_number
from dashboard.views.chart import show_chart
from dashboard.views.choice import choice
from dashboard.views.frame import care, caution, guarded, link, live
from dashboard.views.sample import came_to, once, sample_fields
from dashboard.views.steps import steps
from ingest import queries
from ingest.language.catalogue import translations
from ingest.queries import UnitStatus
from ingest.record.advisory_log import KeptAdvisory
from ingest.record.over import over_of
from ingest.settings import BadInput
from ingest.store import Client
from models.advisory import CLEANING_STEPS, FLUSH_STEPS, STEP_WORDS, How, Step, StepRecorded
from models.advisory.chlorination import STRENGTHS_PCT, WORKS, chlorination
from models.advisory.cleaning import cleaning_of
from models.advisory.events import StepPolicy
from models.advisory.guests import letter, still_there
from models.advisory.laboratory import Outcome
from models.advisory.notice import AFTER_LIFTING, AFTER_LIFTING_WORKS, Notice, notice
from models.advisory.work_cautions import WAY_WORKS, Work, sentences, works_of_steps
from models.fleet import Cabin, Unit

TOLD, NAME, DRAWN = "after-cut-told", "person", "after-cut-drawn"  # keys in the session
ASKED, MEANWHILE = "after-cut-asked", "after-cut-meanwhile"
GOOD, BAD, FAILED = "Satisfactory", "Not satisfactory", "sample not satisfactory"
FLUSH_TAKES = timedelta(minutes=30)  # what the form of a flush begins with
MOST_ROWS = 40  # of the drawing as a table
CONFIG = {"displayModeBar": False, "responsive": True}


@guarded
def after_cut(store: Client) -> None:
    """The unit that the address names, or the worst one."""
    fleet = get_fleet(store)
    chosen = choice(store, fleet, "after-cut")
    if chosen is None:
        return
    one = status_of(store, *chosen)
    if one is None:
        st.html(markup.box("Just enrolled", ["Its first verdict will be here in a moment."]))
        return
    st.session_state[DRAWN] = _mark(one)
    _meanwhile(one)
    _told()
    story(store, *chosen)
    kept = one.standing
    if kept is None:
        _no_notice(store, one)
    else:
        _open(store, one, kept)
    st.header("The last days")
    drawing(store, *chosen)
    for line in recovery.whom_to_call(fleet.contacts, one.cabin.slug):
        st.html(markup.small(line))
    st.html(lines.plain_link(*chosen, reader_units()))
    link("cabin", f"All evidence of {words.unit_name(one)} →", cabin=chosen[0], unit=chosen[1])
    caution()


def _mark(one: UnitStatus) -> tuple[Any, ...]:
    """What the still parts of the page depend on: when it changes, they are drawn anew."""
    kept = one.standing
    if kept is None:
        return ("none", one.advisory.id if one.advisory else "")
    step = recovery.next_step(kept.advisory)
    return (kept.id, step.waits, step.step, kept.advisory.steps)


@live("2s")
def story(store: Client, cabin: str, unit: str) -> None:
    """What happened, in three sentences; now; the next step as far as it needs no form."""
    found = present(store)
    one = status_of(store, cabin, unit)
    if one is None:
        return
    if _mark(one) != st.session_state.get(DRAWN):
        st.rerun()
    kept = one.standing
    units = reader_units()
    since = words.since_words(one.verdict.since, found.at, one.cabin.zone)
    now = markup.told("Now", [recovery.now_words(one, found.at, units)])
    parts = [markup.unit_heading(one.verdict.verdict, words.unit_name(one), since)]
    if kept is None:
        st.html("".join([
            *parts, now, markup.told("Why", words.reasons(one)),
            markup.told("What to do", [one.verdict.next_action], strong=True)]))
        return
    step, asked = step_here(kept.advisory, one.unit, one.cabin, units)
    st.html("".join([
        *parts, markup.told("Before you drink", [_words(store, one, kept).boil_words], strong=True),
        markup.told("What happened", recovery.happened(kept.advisory, one.cabin, units)), now,
        markup.next_step(
            step.title, step.how, step.evidence, number=f"Next: {step_number(kept.advisory, step).lower()}",
            facts=step_facts(
                kept.advisory, step, asked, get_fleet(store).policy or StepPolicy(), unit=one.unit, cabin=one.cabin,
                units=units))]))
    if step.share is not None:
        st.progress(step.share, text=recovery.share_words(step))
    over = over_of(store, get_fleet(store), cabin, unit, kept.advisory, store.now())
    if over is not None:
        st.html(markup.told("When is it over?", over.words))


def _words(store: Client, one: UnitStatus, kept: KeptAdvisory) -> Notice:
    """The notice's words, as of now."""
    return notice(
        kept.advisory, one.cabin, unit=one.unit.slug, printed_at=store.now(), contacts=get_fleet(store).contacts)


def _open(store: Client, one: UnitStatus, kept: KeptAdvisory) -> None:
    """The still parts of the page while an advisory stands: forms, paper, cautions."""
    step = recovery.next_step(kept.advisory)
    asked = works_of_steps(kept.advisory.open_steps)
    if step.step is not Step.DISINFECT:
        asked -= {Work.CHLORINATE}  # until it is next, its cautions stand in the plan below
    care(*_cautions(one, kept, step, asked))
    _told_meanwhile(one)
    if step.waits is Waits.PERSON:
        _step_form(store, one, kept, step)
    elif step.waits is Waits.LIFT:
        _lift_form(store, one, kept, undone=False)
    paper(store, one, kept)
    if set(CLEANING_STEPS) & set(kept.advisory.open_steps):
        st.header("Where that water stands")
        standing(store, one.cabin.slug, one.unit.slug)
    _guests(store, one, kept)
    steps(store, one.cabin.slug, one.unit.slug)
    told = _words(store, one, kept)
    with st.expander("Boiling, and what it does not do"):
        st.html(markup.told("", [*told.what_to_do, told.boil_authority, *told.cautions]))
        st.html(markup.told("If you cannot boil", told.alternatives))
    if Step.DISINFECT in kept.advisory.steps:
        with st.expander("How to disinfect the plumbing: bleach, and its cautions"):
            bleach(one.unit, told=sentences(asked))
    if kept.advisory.evidence_since is not None:
        with st.expander("A water sample was not satisfactory"):
            _failed_form(store, one, kept)
    if step.waits is not Waits.LIFT:
        with st.expander("Lift it although steps are undone"):
            _lift_form(store, one, kept, undone=True)


def _no_notice(store: Client, one: UnitStatus) -> None:
    """No advisory stands: how the last one ended, and what is left to do at the taps."""
    last = one.advisory
    care(one.verdict.works)
    if one.to_note:
        _seen_form(store, one)
    if last is None:
        st.html(markup.small("No boil notice has ever stood here."))
        return
    st.html(markup.box("The notice is lifted", [recovery.lifted_words(last.advisory, one.cabin)]))
    with st.expander("After lifting"):
        st.html(markup.told("", AFTER_LIFTING))
        care(AFTER_LIFTING_WORKS, first=AFTER_LIFTING_WORKS)


# Forms -------------------------------------------------------------------------------------------


def _name(key: str) -> str:
    """Who did it; known from the last time."""
    known: str = st.session_state.get(NAME, "")
    return st.text_input("Your name", value=known, key=f"name-{key}", autocomplete="name", max_chars=120)


def _when(store: Client, place: Cabin, key: str, label: str, *, before: timedelta = timedelta(0)) -> datetime:
    """An instant on the cabin's clock; at first the present minute, or one `before` it."""
    there = (store.now() - before).astimezone(place.zone)
    key = f"when-{key}"
    st.session_state.setdefault(key, there.replace(tzinfo=None, second=0, microsecond=0))
    picked = st.datetime_input(f"{label} ({there:%Z})", key=key, step=60, format="YYYY-MM-DD", required=True)
    return picked.replace(tzinfo=place.zone)


def _step_form(store: Client, one: UnitStatus, kept: KeptAdvisory, step: NextStep) -> None:
    """The next step, recorded with a person's name: one large button."""
    if step.step is None:
        return
    sample = step.step in recovery.SAMPLES
    key, name = f"{kept.id}-{step.step}", full_name(one.cabin, one.unit.slug)
    how = _way(one, kept, key) if step.step is Step.FLUSH_HOT else How.FLUSHED
    button = step.button if how is How.FLUSHED else f"Record: hot tank {how}"
    proof: dict[str, Any] = {}
    with st.container(key=f"next-{key}"), st.form(f"form-{key}", border=True):
        st.html(markup.form_heading(f"Record for {name}"))
        result = st.radio(
            "The laboratory's result", (GOOD, BAD), index=None, horizontal=True, key=f"result-{key}"
        ) if sample else GOOD
        found = sample_fields(key) if sample else {}
        began = _when(
            store, one.cabin, f"{key}-from", "The taps ran from", before=FLUSH_TAKES
        ) if step.step in FLUSH_STEPS and how is How.FLUSHED else None
        if how is not How.FLUSHED:
            proof = {"how": str(how), **_proof_fields(how, key)}
        ended = "When the sample was taken" if sample else "until" if began is not None else "When it was done"
        when = _when(store, one.cabin, key, ended)
        who = _name(key)
        note = st.text_input("Note", key=f"note-{key}", max_chars=300)
        sent = st.form_submit_button(
            markup.plain_label(f"{button}, for {name}"), type="primary", width="stretch")
    if not sent:
        return
    counted = bool({"e_coli", "total_coliforms"} & set(found))
    if result is None and not counted:
        st.html(markup.box(
            "Not recorded", ["Say whether the laboratory found the sample satisfactory, or give its counts."],
            tone="alarm"))
        return
    if sample:
        _act(store, one, "record-service", _sampled(one, when, who, note, result, found), who, "water sample")
        return
    _act(store, one, "advisory-record", {
        "advisory": kept.id, "step": str(step.step), "by": who, "at": when.isoformat(), "note": note,
        "from": began.isoformat() if began is not None else None, **proof}, who, STEP_WORDS[step.step])


def _way(one: UnitStatus, kept: KeptAdvisory, key: str) -> How:
    """By what way the hot tank is cleaned: chosen before the form, whose fields go by it."""
    asked = cleaning_of(kept.advisory, one.unit, one.cabin)
    if not asked.ways:
        return How.FLUSHED
    picked = st.radio(
        "How the hot tank is cleaned (any one is enough)", [way.how for way in asked.ways], key=f"how-{key}",
        format_func=lambda how: recovery.way_label(next(way for way in asked.ways if way.how == how)))
    way = next(one for one in asked.ways if one.how == picked)
    what, runs, prove, source = recovery.way_lines(way, one.cabin)
    do = [prove] if way == asked.offered else [what, runs, prove]  # of the one that is offered the next step tells
    st.html(markup.told("", [line for line in do if line]) + markup.small(source))
    return way.how


def _cautions(
    one: UnitStatus, kept: KeptAdvisory, step: NextStep, asked: frozenset[Work]
) -> tuple[frozenset[Work], frozenset[Work]]:
    """Works whose cautions the page has, and those in sight: of the hot tank, by the way that is chosen."""
    ways = cleaning_of(kept.advisory, one.unit, one.cabin).ways
    if Step.FLUSH_HOT not in kept.advisory.open_steps or not ways:
        return asked, asked
    chosen = How(st.session_state.get(f"how-{kept.id}-{step.step}", ways[0].how))
    others = frozenset[Work]().union(*WAY_WORKS.values()) - WAY_WORKS[chosen]
    return asked | WAY_WORKS[chosen], (asked - others) | WAY_WORKS[chosen]


def _proof_fields(how: How, key: str) -> dict[str, Any]:
    """What a person gives for a way to count."""
    if how is How.HEATED:
        with st.container(horizontal=True):
            return {
                "degrees_c": st.number_input("Measured at a hot tap, °C", value=None, key=f"degrees-{key}"),
                "minutes": st.number_input("For how many minutes", value=None, key=f"minutes-{key}")}
    if how is How.DRAINED:
        return {"times": st.number_input(
            "How many times drained and refilled", value=None, min_value=1, step=1, key=f"times-{key}")}
    return {}


def _sampled(
    one: UnitStatus, when: datetime, who: str, note: str, result: str | None, found: dict[str, str]
) -> dict[str, Any]:
    """The record of a sample taken then."""
    told = {GOOD: Outcome.SATISFACTORY, BAD: Outcome.UNSATISFACTORY}
    return once({
        "kind": "sampled", "cabin": one.cabin.slug, "unit": one.unit.slug, "at": when.isoformat(), "who": who,
        "note": note, "result": None if result is None else str(told[result]), **found})


def _failed_form(store: Client, one: UnitStatus, kept: KeptAdvisory) -> None:
    """A bad sample, of whatever time: flushing, disinfection and samples start again."""
    st.html(markup.small(
        "Flushing, disinfection and both samples start again. Tell the local health authority."))
    key, name = f"{kept.id}-failed", full_name(one.cabin, one.unit.slug)
    with st.form(key, border=False):
        st.html(markup.form_heading(f"A failed sample of {name}"))
        when = _when(store, one.cabin, key, "When the sample was taken")
        who = _name(key)
        found = sample_fields(key)
        note = st.text_input("Note", key=f"note-{key}", max_chars=300)
        sent = st.form_submit_button(
            markup.plain_label(f"Record the failed sample, for {name}"), width="stretch")
    if sent:
        _act(store, one, "record-service", _sampled(one, when, who, note, BAD, found), who, FAILED)


def _lift_form(store: Client, one: UnitStatus, kept: KeptAdvisory, *, undone: bool) -> None:
    """The end of it, by name; with a reason while steps are undone."""
    reason = ""
    key, name = f"{kept.id}-lift-{'undone' if undone else 'done'}", full_name(one.cabin, one.unit.slug)
    large = "early" if undone else "next"  # the looks of the one large button go by it
    with st.container(key=f"{large}-{key}"), st.form(f"form-{key}", border=not undone):
        st.html(markup.form_heading(f"Lift the notice for {name}"))
        if undone:
            left = ", ".join(
                STEP_WORDS[step] for step in kept.advisory.open_steps if step is not Step.NOTICE_REMOVED)
            st.html(markup.small(f"Undone: {left}. The reason is kept in the record with your name."))
            ready = kept.advisory.ready_reasons
            picked = st.selectbox(
                "A reason that stands ready", ["", *ready], key=f"ready-{key}") if ready else ""
            typed = st.text_input("Reason", key=f"reason-{key}", max_chars=500)
            reason = "; ".join(one for one in (picked or "", typed) if one.strip())
        # never filled in beforehand: nobody lifts a notice in another's name by one touch
        who = st.text_input(
            "Your name: you lift it, and take the notice down", key=f"name-{key}", autocomplete="name",
            max_chars=120)
        sent = st.form_submit_button(
            markup.plain_label(f"Lift the notice, for {name}"), type="secondary" if undone else "primary",
            width="stretch")
    if sent:
        _act(store, one, "advisory-lift", {"advisory": kept.id, "by": who, "reason": reason}, who, "notice lifted")


def _guests(store: Client, one: UnitStatus, kept: KeptAdvisory) -> None:
    """Guests who may have drunk the water before anybody knew, with a draft to each; nothing is sent from here."""
    if not kept.advisory.known_late:
        return
    st.header("Guests who may have drunk it")
    found = get_touched(store, kept)
    if found.unknown or not found.stays:
        why = f"Which stays it touches is not known: {found.unknown}." if found.unknown else (
            "It became known late, but no booking lies in its time.")
        st.html(markup.told("", [why]))
        return
    count = f"{len(found.stays)} stay" + ("s" if len(found.stays) > 1 else "")
    st.html(markup.small(
        f"It became known late and touches {count}. Below are drafts to them: a named person sends them."))
    today = store.now().astimezone(one.cabin.zone).date()
    for number, stay in enumerate(found.stays):
        words = f"{stay.arrives:%d %b %Y} to {stay.leaves:%d %b %Y}"
        words += (", there now: " if still_there(stay, today) else ": ") + stay.summary
        with st.expander(markup.plain_label(words)), st.container(key=f"draft-{number}"):
            st.code(
                letter(stay, one.cabin, kept.advisory.exposure, get_fleet(store).contacts, today), language=None,
                wrap_lines=True)


def _seen_form(store: Client, one: UnitStatus) -> None:
    """Water of long before the unit was first heard live, noted by name."""
    key, name = f"seen-{one.cabin.slug}-{one.unit.slug}", full_name(one.cabin, one.unit.slug)
    with st.form(key, border=True):
        st.html(markup.form_heading(f"Note the old log of {name} as seen"))
        who = st.text_input("Your name", key=f"name-{key}", autocomplete="name", max_chars=120)
        sent = st.form_submit_button(markup.plain_label(f"I have seen it, for {name}"), width="stretch")
    if sent:
        _act(store, one, "advisory-seen", {"cabin": one.cabin.slug, "unit": one.unit.slug, "by": who}, who,
             "noted as seen")


def _act(store: Client, one: UnitStatus, kind: str, body: dict[str, Any], who: str, done: str) -> None:
    """Hand it to the collector; what it refuses is shown in its words, what it took on the page drawn anew."""
    try:
        told = store.act(kind, body)
    except BadInput as error:
        st.html(markup.refused("Not recorded", error))
        return
    st.session_state[NAME] = who.strip()
    name = full_name(one.cabin, one.unit.slug)
    more = came_to(told) if kind == "record-service" else []
    st.session_state[TOLD] = [f"{name}: {done}, by {who.strip()}.", *more]
    ask_anew()
    st.rerun()


def _told() -> None:
    """What was just recorded."""
    told = st.session_state.pop(TOLD, None)
    with st.container():  # there also when empty: else all below would shift and opened parts shut again
        if told:
            st.html(markup.box("Recorded", told))


def _meanwhile(one: UnitStatus) -> None:
    """Note whether somebody else recorded the step whose form stood here: it is gone, and with it what was typed.

    The note stays as long as the step that is next then.
    """
    kept = one.standing
    step = None if kept is None else recovery.next_step(kept.advisory).step
    number, records = ("", {}) if kept is None else (
        kept.id, {record.step: record for record in kept.advisory.records})
    asked: tuple[str, Step | None, StepRecorded | None] = st.session_state.get(ASKED, ("", None, None))
    by_this_page = TOLD in st.session_state
    if asked[:2] != (number, step) or by_this_page:
        record = records.get(asked[1]) if asked[1] is not None and asked[0] == number else None
        told = None if by_this_page or asked[1] == step or record == asked[2] else record
        st.session_state[MEANWHILE] = told
        st.session_state[ASKED] = (number, step, records.get(step) if step is not None else None)


def _told_meanwhile(one: UnitStatus) -> None:
    """What `_meanwhile` found, where the form stood that is gone."""
    record: StepRecorded | None = st.session_state.get(MEANWHILE)
    with st.container():  # there also when empty, as below
        if record is not None:
            zone = one.cabin.zone
            st.html(markup.box("Recorded by somebody else", [
                f"{STEP_WORDS[record.step].capitalize()} is recorded already: {record.by}, done "
                f"{local(record.when, zone)}, recorded {local(record.at, zone)}. Nothing was stored twice."]))


# Paper, drawing, evidence ------------------------------------------------------------------------


def paper(store: Client, one: UnitStatus, kept: KeptAdvisory) -> None:
    """The notice as a PDF, made when it is asked for."""
    size = Paper.LETTER if reader_units() is Units.US else Paper.A4
    url = cabin_url(get_settings().public_url, one.cabin.slug, one.unit.slug)
    st.download_button(
        "Notice for the tap (PDF)",
        lambda: notice_pdf(
            _words(store, one, kept), url=url, paper=size,
            spoken=translations({one.cabin.language}).get(one.cabin.language)),
        file_name=f"boil-water-{one.cabin.slug}-{one.unit.slug}.pdf", mime="application/pdf", on_click="ignore",
        width="stretch")


@live("10s")
def standing(store: Client, cabin: str, unit: str) -> None:
    """How much of the under-dosed water is left behind the unit."""
    one = status_of(store, cabin, unit)
    kept = one.standing if one is not None else None
    if kept is None:
        return
    found = queries.still_standing(
        store, store.now(), cabin=cabin, unit=unit, since=kept.advisory.exposure.start)
    st.html(markup.told("", recovery.standing_words(found, reader_units())))


@live("10s")
def drawing(store: Client, cabin: str, unit: str) -> None:
    """The intervals of the last days."""
    one = status_of(store, cabin, unit)
    if one is None:
        return
    now = store.now()
    advisory = one.advisory.advisory if one.advisory else None
    since = recovery.drawing_since(advisory, now)
    found = queries.outages(store, now, cabin=cabin, unit=unit, since=since, with_lit=True)
    if found.empty:
        st.html(markup.small("Nothing was heard in this time."))
        return
    units, zone = reader_units(), one.cabin.zone
    not_lit = found[found["kind"] != "lit"].sort_values("start", ascending=False, kind="stable")
    show_chart(
        cut_figure(found, advisory, span=Span(since=since, until=now, zone=zone), units=units),
        key=f"cut-{cabin}-{unit}", config=CONFIG, name=f"What the last days were for the water of {one.cabin.name}",
        table=(words.OUTAGE_HEADERS, words.outage_rows(not_lit.head(MOST_ROWS), now, zone, units)))


def bleach(unit: Unit, told: Sequence[str]) -> None:
    """The plan for this unit's plumbing at the strength on the bottle; cautions but those `told` on the page."""
    strength = st.segmented_control(
        "Strength on the label", STRENGTHS_PCT, format_func=lambda pct: f"{pct:g} %", default=STRENGTHS_PCT[0],
        required=True, key="bleach-strength")
    if unit.cold_plumbing_l is None or unit.hot_tank_l is None:
        st.html(markup.small(
            "No plan can be made: how much water stands in the cold pipes and the hot tank is not enrolled. "
            "Enrol it on the page Cabins first."))
    else:
        try:
            plan = chlorination(
                cold_plumbing_l=unit.cold_plumbing_l, hot_tank_l=unit.hot_tank_l,
                strength_pct=strength or STRENGTHS_PCT[0])
        except ValueError as error:
            st.html(markup.small(f"No plan can be made: {error}."))
        else:
            st.html(markup.numbered(plan.steps))
    rest = [one for one in sentences(WORKS) if one not in told]
    st.html(markup.care(rest, at_first=len(rest)))
