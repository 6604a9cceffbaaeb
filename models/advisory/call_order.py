"""Who is told of what, and when: in order of escalation, outside quiet hours, again until somebody confirms.

Decides only; `ingest.notification.message_log` keeps what is due and sends it. Every message has a key that follows
from its event, its reader and its number, so working it out twice tells nobody twice.
"""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass
from datetime import UTC, datetime, time, timedelta
from zoneinfo import ZoneInfo

from models.advisory.notice import UNCHECKED, local
from models.advisory.notices_due import ASKED, BOIL, ENDS, TO_ALL, URGENT, NoticeDue, NoticeKind, Policy
from models.fleet import Cabin, Contact, Fleet, Role
from models.wording import ENGLISH, Translation, joined, rendered, worded

PARTS = "\n\n"  # between the English and what nobody has checked
Translations = Mapping[str, Translation]  # by language; English needs none
NOBODY = ""  # stands for the reader where no contact is enrolled, so that the page can say so


@dataclass(frozen=True, slots=True, kw_only=True)
class Due:
    """One message to one person over one channel (none: the person has to be reached otherwise)."""

    event: str
    kind: NoticeKind
    advisory: str
    cabin: str
    unit: str
    contact: str
    role: str
    channel: str
    number: int  # 1: the first telling
    at: datetime
    due_at: datetime
    urgent: bool
    title: str
    body: str
    language: str = ENGLISH

    @property
    def key(self) -> str:
        """Never used twice."""
        return f"{self.event}|{self.role}|{self.contact}|{self.channel}|{self.number}"


@dataclass(frozen=True, slots=True, kw_only=True)
class Told:
    """What was put in line before: of one event, to one person over one channel."""

    event: str
    contact: str
    role: str
    channel: str
    number: int
    due_at: datetime
    delivered_at: datetime | None


def without_anybody_told(fleet: Fleet) -> list[str]:
    """Slugs of cabins of which no manager or owner with a channel would hear."""
    return [
        cabin.slug for cabin in fleet.cabins
        if not any(one.role in ASKED and one.channels for one in concerned(fleet.contacts, cabin))]


def first_tellings(
    notice_due: NoticeDue, contacts: Iterable[Contact], *, told: Iterable[Told], now: datetime,
    translations: Translations | None = None,
) -> tuple[Due, ...]:
    """The first messages of an event.

    Parameters
    ----------
    contacts : iterable of Contact
        The whole fleet's.
    told : iterable of Told
        What was said of the same advisory, or of the same silence, before.

    Returns
    -------
    tuple of Due
        To guests, all; to every other role, the first in `order` and whoever was drawn in before. An end (lifted,
        heard again, light on again) goes to those who were told of the beginning. That the light is off goes to
        all whom the cabin concerns: there is no time to wait for who confirms.
    """
    here = concerned(contacts, notice_due.cabin)
    drawn_in = {(one.role, one.contact) for one in told}
    out: list[Due] = []
    for role in Role:
        if notice_due.message(role) is None:
            continue
        mine = [one for one in here if one.role is role]
        lowest = min((one.order for one in mine), default=0)
        ends, all_ = notice_due.kind in ENDS, role is Role.GUEST or notice_due.kind in TO_ALL
        for contact in mine:
            known = (str(role), contact.name) in drawn_in
            if known or (not ends and (all_ or contact.order == lowest)):
                out += _tell(notice_due, contact, now, translations)
    if not any(Role(one.role) in ASKED for one in out) and notice_due.kind is not NoticeKind.LIFTED:
        out += _tell(notice_due, None, now, translations)
    return tuple(out)


def follow_up(
    notice_due: NoticeDue, contacts: Iterable[Contact], *, told: Iterable[Told], confirmed_at: datetime | None,
    now: datetime, policy: Policy | None = None, translations: Translations | None = None,
) -> tuple[Due, ...]:
    """Repeats, and calls to the next in order, of an event that nobody has confirmed.

    Parameters
    ----------
    told : iterable of Told
        What was said of this very event.
    confirmed_at : datetime or None
        When a named person last confirmed the advisory.

    Notes
    -----
    A repeat follows a delivery only: what could not be delivered is still being tried, and said once when it can.
    Where a contact has no channel, the next in order is called at once.
    """
    policy = policy or Policy()
    if notice_due.kind not in BOIL or (confirmed_at is not None and confirmed_at >= notice_due.at):
        return ()
    if notice_due.not_before is not None and now < notice_due.not_before:
        return ()
    told = [one for one in told if one.event == notice_due.key]
    out: list[Due] = []
    for role in ASKED:
        if notice_due.message(role) is None:
            continue
        mine = [one for one in concerned(contacts, notice_due.cabin) if one.role is role]
        said = [one for one in told if one.role == role]
        out += _called(notice_due, mine, said, now, policy, translations)
        out += _repeated(notice_due, mine, said, now, policy, translations)
    return tuple(out)


def _called(
    notice_due: NoticeDue, mine: Sequence[Contact], said: Sequence[Told], now: datetime, policy: Policy,
    translations: Translations | None,
) -> Iterator[Due]:
    """Those whose turn it is."""
    names = {one.contact for one in said}
    reached = max((one.order for one in mine if one.name in names), default=0)
    turn = _turn(mine, said, reached, now, policy)
    for contact in mine:
        if contact.order <= turn and contact.name not in names:
            yield from _tell(notice_due, contact, now, translations)


def _turn(
    mine: Sequence[Contact], said: Sequence[Told], reached: int, now: datetime, policy: Policy
) -> int:
    """Up to which place in the order contacts are called by now; those up to `reached` were called before."""
    since = max((one.due_at for one in said if one.number == 1), default=None)
    in_time = since is None or now < since + timedelta(minutes=policy.escalate_min)
    can_hear = {one.order for one in mine if one.channels}
    if in_time and any(order <= reached for order in can_hear):
        return reached  # they still have time to confirm
    # whoever has no channel is passed at once, down to the last
    last = max([reached, *(one.order for one in mine)])
    return min((order for order in can_hear if order > reached), default=last)


def _repeated(
    notice_due: NoticeDue, mine: Sequence[Contact], said: Sequence[Told], now: datetime, policy: Policy,
    translations: Translations | None,
) -> Iterator[Due]:
    """Those who had it and did not confirm."""
    names = {one.contact for one in said}
    for contact in mine:
        if contact.name not in names:
            continue
        for due in _tell(notice_due, contact, now, translations):
            if not due.channel:
                continue
            before = [one for one in said if one.contact == contact.name and one.channel == due.channel]
            if not before:  # a channel that was enrolled since
                yield due
                continue
            last = max(before, key=lambda one: one.number)
            if last.delivered_at is not None and (
                now >= last.delivered_at + timedelta(minutes=policy.repeat_min)
            ):
                yield from _tell(
                    notice_due, contact, now, translations, number=last.number + 1, channel=due.channel)


def _tell(
    notice_due: NoticeDue, contact: Contact | None, now: datetime, translations: Translations | None, *,
    number: int = 1, channel: str | None = None,
) -> list[Due]:
    """One message per channel of a contact, or one without any."""
    message = notice_due.message(contact.role if contact else Role.MANAGER)
    if message is None:
        return []
    urgent = notice_due.kind in URGENT
    due_at = max(now, notice_due.not_before or now)
    if contact is not None and not urgent:
        due_at = after_quiet(contact, due_at, notice_due.cabin.zone)
    title: str = message.subject
    if number > 1:
        title = worded("Not confirmed yet ({number:d}): {title}", number=number, title=title)
    body = joined(message.body, worded("(Known {when}.)", when=local(now, notice_due.cabin)))
    spoken = (translations or {}).get(language_of(contact, notice_due.cabin) if contact else ENGLISH)
    told_title, told_body = in_language(title, body, spoken)
    channels = ("",) if contact is None else (channel,) if channel else contact.channels or ("",)
    return [
        Due(
            event=notice_due.key, kind=notice_due.kind, advisory=notice_due.advisory, cabin=notice_due.cabin.slug,
            unit=notice_due.unit, contact=contact.name if contact else NOBODY,
            role=str(contact.role) if contact else str(Role.MANAGER), channel=one, number=number, at=notice_due.at,
            due_at=due_at, urgent=urgent, title=" ".join(told_title.split()), body=told_body,
            language=spoken.language if spoken else ENGLISH)
        for one in dict.fromkeys(channels)]


def language_of(contact: Contact, cabin: Cabin) -> str:
    """What somebody is spoken to in: guests and owners in their own language or the cabin's, others in English."""
    if contact.role not in (Role.GUEST, Role.OWNER):
        return ENGLISH
    return contact.language or cabin.language


def in_language(title: str, body: str, spoken: Translation | None) -> tuple[str, str]:
    """A message in a language; while nobody has checked the catalogue, below the English, and it says so."""
    if spoken is None:
        return str(title), str(body)
    own_title, own_body = rendered(title, spoken.say), rendered(body, spoken.say)
    if spoken.reviewed_by:
        return own_title, own_body
    return f"{title} / {own_title}", f"{body}{PARTS}{rendered(UNCHECKED, spoken.say)}\n{own_body}"


def after_quiet(contact: Contact, at: datetime, zone: ZoneInfo) -> datetime:
    """The first instant from `at` on that lies outside the contact's quiet hours, in the cabin's time zone.

    Hours that end in the hour that the clocks skip end up to one hour later.
    """
    if not contact.quiet_from or contact.quiet_from == contact.quiet_until:
        return at
    start, end = time.fromisoformat(contact.quiet_from), time.fromisoformat(contact.quiet_until)
    here = at.astimezone(zone)
    clock = here.time()
    quiet = start <= clock < end if start < end else clock >= start or clock < end
    if not quiet:
        return at
    day = here.date() + timedelta(days=1 if start > end and clock >= start else 0)
    ends = (datetime.combine(day, end, zone).replace(fold=fold).astimezone(UTC) for fold in (0, 1))
    return next((one for one in ends if one > at), at)  # an hour that comes twice: the one still to come


def concerned(contacts: Iterable[Contact], cabin: Cabin) -> list[Contact]:
    """Whom a cabin concerns, in order."""
    found = [one for one in contacts if not one.cabins or cabin.slug in one.cabins]
    return sorted(found, key=lambda one: (one.order, one.name))
