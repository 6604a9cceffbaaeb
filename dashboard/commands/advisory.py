"""`advisory` and `service`: what people did, and who lifted what."""

from __future__ import annotations

import argparse
import json
import math
import sys
from collections.abc import Callable, Hashable, Mapping
from datetime import UTC
from typing import Any

from dashboard.commands import HELP
from dashboard.commands._lists import add_list_options
from dashboard.commands._lists import listed as tabled
from dashboard.commands._opening import open_any, open_settings, settings_any
from dashboard.commands._words import command, instant, print_cautions, print_json
from dashboard.commands.status import NOT_ENROLLED, require_cabin
from dashboard.sheets.lists import service_list
from dashboard.text.service import service_line, service_rows
from dashboard.text.verdicts import CAUTION
from ingest import queries
from ingest.actions import SERVICE_KINDS
from ingest.bookings.addresses import allowed_of
from ingest.bookings.kept import read_now
from ingest.evaluation.shared import SPAN, events_since
from ingest.record.advisory_log import KeptAdvisory
from ingest.record.guests import touched_stays
from ingest.record.over import over_of
from ingest.registry.tables import load_fleet, load_whole_fleet
from ingest.settings import BadInput
from ingest.store import Access
from models.advisory import Advisory
from models.advisory.events import PERSON_STEPS, STEP_WORDS, How, State, Step
from models.advisory.guests import letter
from models.advisory.shared_event import find
from models.advisory.work_cautions import RECORD_WORKS, Work, sentences, works_of_steps
from models.dose.sensor_checks import sensor_check

STEPS = [str(step) for step in PERSON_STEPS]


def add(commands: Any) -> None:
    """Add the commands."""
    advisory = commands.add_parser(
        "advisory", help=HELP["advisory"],
        description="The program raises an advisory; only a named person lifts it.",
        epilog="example: tarnlight advisory record a3 --step disinfect --by 'Ann Lund'",
        formatter_class=argparse.RawDescriptionHelpFormatter)
    verbs = advisory.add_subparsers(dest="verb", metavar="VERB", required=True)
    found = command(verbs, "list", do_list, help="list open advisories, or all", json_option=True, private=True,
                    example="tarnlight advisory list --all")
    found.add_argument("--all", action="store_true", help="lifted ones too")
    found.add_argument("--cabin", help="one cabin only")
    show = command(verbs, "show", do_show, help="show one advisory, its steps and its whole record",
                   json_option=True, private=True, example="tarnlight advisory show a3")
    show.add_argument("id")
    record = command(verbs, "record", do_record, help="record that a named person did a step",
                     example="tarnlight advisory record a3 flush_hot --by 'Ann Lund' --how heated --degrees 71 "
                     "--minutes 30")
    record.add_argument("words", nargs="*", metavar="ID [ID ...] STEP", help=", ".join(STEPS))
    record.add_argument("--step", choices=STEPS, help="the step, in place of the last word")
    record.add_argument("--by", required=True, metavar="NAME", help="who did it")
    record.add_argument("--from", dest="begun", help="of a flush: since when the taps ran; --at is until when")
    record.add_argument("--at", help="when it was done (default: now)")
    tank = record.add_argument_group("flush_hot: by what way, and what proves it")
    tank.add_argument("--how", choices=[str(how) for how in How], help="default: flushed")
    tank.add_argument("--degrees", type=float, metavar="C", help="heated: measured at a hot tap, in Celsius")
    tank.add_argument("--minutes", type=float, metavar="N", help="heated: for so long")
    tank.add_argument("--times", type=int, metavar="N", help="drained: how often it was drained and refilled")
    record.add_argument("--note", default="")
    record.add_argument("--failed", action="store_true", help="a sample that was not satisfactory")
    record.add_argument("--again", action="store_true", help="the step is recorded already and was done once more")
    raised = command(verbs, "raise", do_raise, help="raise an advisory by hand",
                     example="tarnlight advisory raise --cabin heron-point --unit main --by 'Ann Lund'")
    raised.add_argument("--cabin", required=True)
    raised.add_argument("--unit", required=True)
    raised.add_argument("--by", required=True, metavar="NAME", help="who raises it")
    stays = command(
        verbs, "stays", do_stays, json_option=True, private=True,
        help="name the stays that an advisory touches that became known late, with a draft to each",
        example="tarnlight advisory stays a3")
    stays.add_argument("id")
    seen = command(
        verbs, "seen", do_seen,
        help="note by name under-dosed water of long before the unit was first heard live",
        example="tarnlight advisory seen --cabin heron-point --unit main --by 'Ann Lund'")
    seen.add_argument("--cabin", required=True)
    seen.add_argument("--unit", required=True)
    seen.add_argument("--by", required=True, metavar="NAME", help="who has seen it")
    confirm = command(verbs, "confirm", do_confirm,
                      help="say that you have read an advisory, so that it is not repeated",
                      example="tarnlight advisory confirm a3 --by 'Ann Lund'")
    confirm.add_argument("words", nargs="*", metavar="ID")
    confirm.add_argument("--by", required=True, metavar="NAME", help="who has read it")
    lift = command(verbs, "lift", do_lift, help="lift an advisory, by name",
                   example="tarnlight advisory lift a3 --by 'Ann Lund'")
    lift.add_argument("words", nargs="*", metavar="ID")
    for one in (record, confirm, lift):
        one.add_argument("--event", metavar="ID", help="all open ones of that shared event (tarnlight events)")
    lift.add_argument("--by", required=True, metavar="NAME", help="who lifts it")
    lift.add_argument("--reason", default="", help="needed while steps are undone; kept in the record")

    service = commands.add_parser(
        "service", help=HELP["service"], description="The record of service: append-only, with when and who.",
        epilog="example: tarnlight service record sleeve-cleaned --cabin heron-point --unit main "
               "--at 2026-11-20T14:00:00Z --who 'Ann Lund'",
        formatter_class=argparse.RawDescriptionHelpFormatter)
    verbs = service.add_subparsers(dest="verb", metavar="VERB", required=True)
    done = command(verbs, "record", do_service, help="record what was done",
                   example="tarnlight service record water-tested --cabin heron-point --unit main "
                   "--at 2026-11-20T14:00:00Z --who 'Ann Lund' --value 84")
    done.add_argument("kind", choices=SERVICE_KINDS, metavar="KIND", help=", ".join(SERVICE_KINDS))
    done.add_argument("--cabin", required=True)
    done.add_argument("--unit", required=True)
    done.add_argument("--at", required=True, help="when, ISO 8601 with offset or Z")
    done.add_argument("--from", dest="begun", help="of a flush: since when the taps ran; --at is until when")
    done.add_argument("--who", required=True, metavar="NAME")
    done.add_argument("--value", type=float,
                      help="water-tested: transmittance in %%; sampled: colonies found (0: satisfactory); "
                      "sensor-checked: duty over reference; uvt-sensor-checked: sensor less sample, in points")
    done.add_argument("--is-pct", action="store_true",
                      help="water-tested: --value of 1 or less is per cent as it stands, and no ratio")
    done.add_argument("--note", default="")
    laboratory = done.add_argument_group("sampled: what the laboratory found")
    laboratory.add_argument("--e-coli", metavar="N", help="E. coli per 100 mL: a number, est or overgrown")
    laboratory.add_argument("--total-coliforms", metavar="N", help="total coliforms per 100 mL: the same")
    laboratory.add_argument("--lab", metavar="NAME")
    laboratory.add_argument("--lab-number", metavar="X", help="the sample's number at the laboratory")
    laboratory.add_argument("--taken-at", metavar="TIME", help="when the sample was taken (default: --at)")
    listed = command(verbs, "list", do_service_list, help="list what was done, with the id of each record",
                     json_option=True, private=True, example="tarnlight service list --cabin heron-point")
    listed.add_argument("--cabin", help="one cabin only")
    listed.add_argument("--unit", help="one unit only")
    add_list_options(listed)
    gone = command(verbs, "withdraw", do_withdraw, help="take a record back: it is kept and counts no longer",
                   example="tarnlight service withdraw 3f2a91c0 --by 'Ann Lund' --reason 'the wrong cabin'")
    other = command(verbs, "correct", do_correct, help="put another record in the place of one",
                    example="tarnlight service correct 3f2a91c0 --by 'Ann Lund' --reason 'typed wrong' --value 88")
    for one in (gone, other):
        one.add_argument("id", help="the record's id, or its first six characters or more (tarnlight service list)")
        one.add_argument("--by", required=True, metavar="NAME", help="who takes it back")
        one.add_argument("--reason", required=True, metavar="WHY", help="kept in the record")
    other.add_argument("--kind", choices=SERVICE_KINDS, metavar="KIND", help=", ".join(SERVICE_KINDS))
    for name, told in (("--cabin", "the right cabin"), ("--unit", "the right unit"), ("--who", "who did it"),
                       ("--note", "the right note"), ("--at", "when, ISO 8601 with offset or Z")):
        other.add_argument(name, help=told)
    other.add_argument("--value", type=float, help="the right value, as for `service record`")


def do_list(options: argparse.Namespace) -> int:
    """Advisories, newest first."""
    store = open_any(options)
    require_cabin(store, options.cabin, retired=True)
    found = [one for one in queries.advisories(store, cabin=options.cabin)
             if options.all or one.advisory.state is not State.LIFTED]
    found = queries.with_proofs_now(store, found, store.now())
    enrolled = bool(load_fleet(store).cabins)
    store.close()
    if options.json:
        print_json([{"cabin": one.cabin, "unit": one.unit, **queries.advisory_json(one),
                     "cautions": list(sentences(_works(one)))} for one in found])
        return 0
    for one in found:
        waits = next((f"step {one.advisory.steps.index(step) + 1} of {len(one.advisory.steps)}, {STEP_WORDS[step]}"
                      for step in one.advisory.open_steps), "nothing")
        print(f"{one.id}  {one.cabin}/{one.unit}  {one.advisory.state}, {_what(one.advisory)}, of "
              f"{one.advisory.happened_from:%Y-%m-%d %H:%M UTC}, raised "
              f"{one.advisory.raised_at:%Y-%m-%d %H:%M UTC}" + (
                  "" if one.advisory.state is State.LIFTED else f"; waits for: {waits}"))
    print_cautions(frozenset[Work]().union(*(_works(one) for one in found)))
    if not found:
        print(NOT_ENROLLED if not enrolled else "No advisory." if options.all else
              "No open advisory; `tarnlight status` says of each tap whether it is clear.")
    return 0


def do_show(options: argparse.Namespace) -> int:
    """One advisory and its record."""
    store = open_any(options)
    found = queries.with_proofs_now(store, queries.advisories(store, number=options.id), store.now())
    events = queries.advisory_events(store, options.id)
    over = over_of(store, load_fleet(store), found[0].cabin, found[0].unit, found[0].advisory, store.now()) if (
        found) else None
    sent = queries.notifications(store, store.now(), advisory=options.id)
    read = queries.confirmations(store, options.id)
    store.close()
    if not found:
        raise BadInput(f"no advisory {options.id!r}; `tarnlight advisory list --all` shows them")
    one = found[0]
    record = [json.loads(body) for body in events["body"]]
    if options.json:
        told = sent.drop(columns=["body"]).to_dict("records")
        print_json([{"cabin": one.cabin, "unit": one.unit, **queries.advisory_json(one),
                     "ready_reasons": list(one.advisory.ready_reasons), "record": record,
                     "over": None if over is None else over.to_json(),
                     "messages": told, "confirmed": read.to_dict("records"),
                     "cautions": list(sentences(_works(one)))}])
        return 0
    print(f"{one.id}  {one.cabin}/{one.unit}  {one.advisory.state}, {_what(one.advisory)}")
    for step in one.advisory.statuses:
        print(f"  [{'x' if step.done else ' '}] {step.code}: {STEP_WORDS[step.code]} ({step.evidence})")
    if over is not None:
        print("  when is it over?")
        for sentence in over.words:
            print(f"    {sentence}")
    for event in record:
        print(_event_line(event))
    for row in sent[::-1].to_dict("records"):
        print(_message_line(row))
    for row in read.to_dict("records"):
        print(f"  {row['at']:%Y-%m-%d %H:%M} UTC  read by {row['who']}")
    for reason in one.advisory.ready_reasons:
        print(f"  ready as a reason at the lift: {reason}")
    print_cautions(_works(one))
    print(CAUTION)
    return 0


def _event_line(event: Mapping[str, Any]) -> str:
    """What happened, when and by whom."""
    who = f" by {event['by']}" if event.get("by") else ""
    what = event.get("what") or event.get("step") or event.get("reason") or ""
    return f"  {event['at'][:16].replace('T', ' ')} UTC  {event['kind']}{who} {what}".rstrip()


def _message_line(row: Mapping[Hashable, Any]) -> str:
    """What was sent to whom, and what became of it."""
    over = f" over {row['channel']}" if row["channel"] else ""
    error = f" ({row['error']})" if row["error"] else ""
    return (
        f"  {row['due_at']:%Y-%m-%d %H:%M} UTC  message {row['kind']} to {row['contact'] or 'nobody'}{over}: "
        f"{row['state']}{error}")


def _what(advisory: Advisory) -> str:
    """Why it stands and how bad the water was."""
    return f"{advisory.cause}, {advisory.severity}"


def _works(one: KeptAdvisory) -> frozenset[Work]:
    """What the steps still to do ask for; after the lifting nobody is asked for any."""
    return frozenset() if one.advisory.state is State.LIFTED else works_of_steps(one.advisory.open_steps)


def _act(options: argparse.Namespace, kind: str, body: dict[str, Any]) -> dict[str, Any]:
    store = open_any(options)
    try:
        return store.act(kind, body)
    finally:
        store.close()


def _each(
    options: argparse.Namespace, words: list[str], kind: str, body: dict[str, Any], done: Callable[[str, Any], str]
) -> tuple[list[dict[str, Any]], int]:
    """Do the same to each advisory named, or to all of a shared event; what was told of each, and the exit code.

    Each is done by itself: one that is refused says why, and the others are done. Of several, 2 says that one was
    refused at least.
    """
    if bool(words) == bool(options.event):
        raise BadInput("name one or more advisories, or all of a shared event with --event ID; not both")
    store = open_any(options)
    told: list[dict[str, Any]] = []
    refused = 0
    try:
        where = _of_event(store, options.event) if options.event else dict.fromkeys(words, "")
        numbers = list(where)
        for number in numbers:
            place = f"{where[number]}: " if where[number] else ""  # else they named each themselves
            try:
                told.append(store.act(kind, {**body, "advisory": number}))
            except BadInput as error:
                if len(numbers) == 1:
                    raise
                refused += 1
                print(f"{number}: {place}refused: {error}", file=sys.stderr)
            else:
                print(f"{number}: {place}{done(number, told[-1])}")
        if len(numbers) > 1:
            print(f"{len(told)} of {len(numbers)} done" + (f", {refused} refused." if refused else "."))
    finally:
        store.close()
    return told, 2 if refused else 0


def _of_event(store: Access, id: str) -> dict[str, str]:
    """The open advisories of a shared event, in the order of their numbers, with cabin and unit of each."""
    now, fleet = store.now(), load_fleet(store)
    event = find(events_since(store, fleet, now, now - SPAN), id)
    if event is None:
        raise BadInput(f"no shared event {id!r} in the last {SPAN.days} days; `tarnlight events` shows them")
    found = queries.open_of_event(store, event)
    if not found:
        raise BadInput(f"no open advisory is of the shared event {event.id!r}")
    return {one.id: f"{one.cabin}/{one.unit}" for one in found}


def do_record(options: argparse.Namespace) -> int:
    """A step done."""
    words = list(options.words)
    step = options.step or (words.pop() if words else None)
    if step not in STEPS:
        raise BadInput(f"name the step that was done, one of {', '.join(STEPS)}; got {step!r}")
    told, code = _each(options, words, "advisory-record", {
        "step": step, "by": options.by, "note": options.note,
        "how": options.how, "degrees_c": options.degrees, "minutes": options.minutes, "times": options.times,
        "failed": options.failed, "again": options.again,
        "at": instant(options.at).isoformat() if options.at else None,
        "from": instant(options.begun).isoformat() if options.begun else None},
        lambda _, one: f"recorded; state {one['state']}, still open: {', '.join(one['open_steps']) or 'nothing'}")
    print_cautions(works_of_steps(Step(each) for one in told for each in one["open_steps"]))
    return code


def do_raise(options: argparse.Namespace) -> int:
    """An advisory by hand."""
    told = _act(options, "advisory-raise", {"cabin": options.cabin, "unit": options.unit, "by": options.by})
    print(f"{told['advisory']}: raised")
    return 0


def do_stays(options: argparse.Namespace) -> int:
    """Guests who may have drunk it before anybody knew."""
    settings = settings_any(options)
    store = open_settings(settings)
    try:
        found = queries.advisories(store, number=options.id)
        fleet, today = load_fleet(store), store.now()
        if not found:
            raise BadInput(f"no advisory {options.id!r}; `tarnlight advisory list --all` shows them")
        (one,) = found
        if one.advisory.known_late:
            read_now(store, fleet, allowed_of(settings), today, cabin=one.cabin)
        touched = touched_stays(store, fleet, one, today)
    finally:
        store.close()
    cabin = fleet.cabin(one.cabin) if fleet.has_cabin(one.cabin) else None
    letters = [] if cabin is None else [
        letter(stay, cabin, one.advisory.exposure, fleet.contacts, today.astimezone(cabin.zone).date())
        for stay in touched.stays]
    if options.json:
        print_json([{"advisory": one.id, "arrives": stay.arrives.isoformat(), "leaves": stay.leaves.isoformat(),
                     "booking": stay.summary, "draft": text}
                    for stay, text in zip(touched.stays, letters, strict=True)])
        return 0
    if not touched.late:
        print(f"{one.id}: it became known as it happened; the notice at the tap is the word to guests.")
    elif touched.unknown:
        print(f"{one.id}: which stays it touches is not known: {touched.unknown}.")
    elif not touched.stays:
        print(f"{one.id}: no booking lies in its time.")
    for stay, text in zip(touched.stays, letters, strict=True):
        print(f"--- {stay.arrives} to {stay.leaves}  {stay.summary}\n{text}\n")
    if letters:
        print("These are drafts: a named person sends them.")
    print(CAUTION)
    return 0


def do_seen(options: argparse.Namespace) -> int:
    """What lies long back is noted."""
    told = _act(options, "advisory-seen", {"cabin": options.cabin, "unit": options.unit, "by": options.by})
    print(f"{options.cabin}/{options.unit}: {told['noted']}; noted by {options.by}. {CAUTION}")
    return 0


def do_confirm(options: argparse.Namespace) -> int:
    """Somebody has read it."""
    return _each(
        options, options.words, "confirm", {"by": options.by},
        lambda *_: f"confirmed by {options.by}; it stands until a named person lifts it. {CAUTION}")[1]


def do_lift(options: argparse.Namespace) -> int:
    """The end of an advisory."""
    return _each(
        options, options.words, "advisory-lift", {"by": options.by, "reason": options.reason},
        lambda *_: f"lifted by {options.by}; take the notice down. {CAUTION}")[1]


def laboratory_lines(told: dict[str, Any]) -> list[str]:
    """What the laboratory's result means, and whose word goes before ours; nothing where there is none."""
    found = told.get("laboratory")
    if not found:
        return []
    differs = f" {found['differs']}." if found["differs"] else ""
    return [f"laboratory: {found['words']}{differs}", CAUTION]


def do_service(options: argparse.Namespace) -> int:
    """What was done to a unit."""
    _require_number(options.value)
    told = _act(options, "record-service", {
        "kind": options.kind, "cabin": options.cabin, "unit": options.unit, "who": options.who,
        "at": instant(options.at).isoformat(), "value": options.value, "note": options.note,
        "from": instant(options.begun).isoformat() if options.begun else None,
        "is_pct": options.is_pct, "e_coli": options.e_coli, "total_coliforms": options.total_coliforms,
        "lab": options.lab, "lab_number": options.lab_number,
        "taken_at": instant(options.taken_at).isoformat() if options.taken_at else None})
    print(f"recorded: {options.kind} of {options.cabin}/{options.unit}, id {told['id']}")
    _print_recorded(told, options.kind, options.value)
    return 0


def _require_number(value: float | None) -> None:
    if value is not None and not math.isfinite(value):
        raise BadInput(f"--value must be a finite number; got {value}")


def _print_recorded(told: dict[str, Any], kind: str, value: float | None) -> None:
    """What a record says at once, the cautions of its work, and what came of it for an advisory."""
    # a sensor that reads too high is to be replaced: that work is still ahead
    afterwards = kind != "sensor-checked" or not value or sensor_check(value).passes
    if told.get("judged"):
        print(f"sensor check: {told['judged']}")
    for line in laboratory_lines(told):
        print(line)
    print_cautions(RECORD_WORKS.get(kind, frozenset()), afterwards=afterwards)
    if told.get("advisory"):
        print(f"advisory: {told['advisory']}")


def do_service_list(options: argparse.Namespace) -> int:
    """Records of service, newest first; withdrawn ones say so."""
    store = open_any(options)
    require_cabin(store, options.cabin, retired=True)
    events = queries.service_events(store, options.cabin, options.unit, with_withdrawn=True)
    zones = {one.slug: one.zone for one in load_whole_fleet(store).cabins}
    store.close()
    if tabled(options, lambda: service_list(events)):
        return 0
    found = service_rows(events)
    if options.json:
        print_json(found)
        return 0
    for one in found:
        at = one["at"].astimezone(zones.get(one["cabin"], UTC))
        print(f"{one['id']}  {one['cabin']}/{one['unit']}  {at:%Y-%m-%d %H:%M %Z}  {service_line(one)}")
    if not found:
        print("Nothing is recorded yet.")
    return 0


def do_withdraw(options: argparse.Namespace) -> int:
    """A record taken back."""
    told = _act(options, "withdraw-service", {"id": options.id, "by": options.by, "reason": options.reason})
    print(f"withdrawn: record {told['id']}, by {options.by}; it stays in the list and no longer counts")
    if told.get("advisory"):
        print(f"advisory: {told['advisory']}")
    return 0


def do_correct(options: argparse.Namespace) -> int:
    """A record in the place of another."""
    _require_number(options.value)
    told = _act(options, "correct-service", {
        "id": options.id, "by": options.by, "reason": options.reason, "kind": options.kind, "cabin": options.cabin,
        "unit": options.unit, "who": options.who, "value": options.value, "note": options.note,
        "at": instant(options.at).isoformat() if options.at else None})
    print(f"corrected: record {told['id']} stands in place of {told['withdrawn']}, by {options.by}")
    _print_recorded(told, told["kind"], told["value"])
    return 0
