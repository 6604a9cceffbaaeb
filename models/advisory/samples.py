"""Which samples an advisory's two sample steps stand on: by when they were taken, not by when they were typed."""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from datetime import datetime, timedelta

from models.advisory import CLEANING_STEPS, Advisory, Step, StepRecorded
from models.advisory.laboratory import Outcome


@dataclass(frozen=True, slots=True, kw_only=True)
class Sample:
    """A sample whose result is there."""

    taken_at: datetime
    outcome: Outcome
    by: str
    note: str = ""
    service: str = ""  # id of its record of service; empty where a person said it of the step itself


def counts_from(advisory: Advisory) -> datetime | None:
    """From when on a sample taken counts: the exposure is over and the plumbing clean; None: not yet."""
    if advisory.evidence_since is None or advisory.lifted is not None:
        return None
    cleaned = [one for one in advisory.statuses if one.code in CLEANING_STEPS]
    if any(one.since is None for one in cleaned):
        return None
    return max([advisory.evidence_since, *(one.since for one in cleaned if one.since is not None)])


def sample_records(advisory: Advisory, samples: Iterable[Sample], *, at: datetime) -> tuple[StepRecorded, ...]:
    """The records that let the sample steps stand on the samples that were taken, in whatever order they came in.

    Parameters
    ----------
    advisory : Advisory
        As it stands.
    samples : iterable of Sample
        All of the unit; those that do not count are passed over.
    at : datetime
        Of the records: now, not before the advisory's last event.

    Returns
    -------
    tuple of StepRecorded
        Empty where nothing new counts. The first step stands on the earliest satisfactory sample after exposure and
        cleaning, the second on the earliest that was taken `sample_gap_h` later. One that asked for another sample
        begins the count again: the two are consecutive.
    """
    start = counts_from(advisory)
    if start is None or Step.SAMPLE_1 not in advisory.steps:
        return ()
    recorded = {one.step: one for one in advisory.records if one.step in (Step.SAMPLE_1, Step.SAMPLE_2)}
    told = [
        Sample(taken_at=one.when, outcome=Outcome.SATISFACTORY, by=one.by, note=one.note, service=one.service)
        for one in recorded.values()]
    # what is recorded already goes before its equal
    fine = _satisfactory([*told, *samples], start)
    return tuple(
        StepRecorded(at=at, step=step, by=one.by, done_at=one.taken_at, note=one.note, service=one.service)
        for step, one in _consecutive(fine, timedelta(hours=advisory.sample_gap_h)).items()
        if step in advisory.steps and (step not in recorded or recorded[step].when != one.taken_at))


def _satisfactory(known: Sequence[Sample], start: datetime) -> list[Sample]:
    """Those that count, in the order in which they were taken, the first of each instant."""
    asked_again = max((one.taken_at for one in known if one.outcome is Outcome.SAMPLE_AGAIN), default=None)
    by_instant = {
        one.taken_at: one for one in reversed(known)
        if one.outcome is Outcome.SATISFACTORY and one.taken_at >= start
        and (asked_again is None or one.taken_at > asked_again)}
    return [by_instant[instant] for instant in sorted(by_instant)]


def _consecutive(fine: Sequence[Sample], gap: timedelta) -> dict[Step, Sample]:
    """The sample that each of the two steps stands on: the earliest, and the earliest after the gap."""
    if not fine:
        return {}
    chosen = {Step.SAMPLE_1: fine[0]}
    second = next((one for one in fine[1:] if one.taken_at >= fine[0].taken_at + gap), None)
    if second is not None:
        chosen[Step.SAMPLE_2] = second
    return chosen
