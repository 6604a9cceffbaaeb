"""One evening, one power cut, many cabins: a real broker, mail server and webhook receiver, the store's time."""

from __future__ import annotations

import json
import threading
import time
from collections.abc import Callable, Iterator
from dataclasses import dataclass, field
from datetime import UTC, datetime, timedelta
from email import message_from_bytes, policy
from http.server import BaseHTTPRequestHandler, ThreadingHTTPServer
from itertools import pairwise
from pathlib import Path

import paho.mqtt.client as paho
import pytest

from ingest.clock import Clock
from ingest.settings import Settings
from ingest.store import Store
from tests.conftest import REACTOR, Mosquitto, Running, cabin_toml, publisher, senml, utc, wait_for
from tests.ingest.notification.test_message_log import Mailbox, secrets_file

EVENING = utc("2026-11-20T23:00:00")  # 18:00 in Toronto
FIRST, SECOND = "maren@example.org", "idris@example.org"
LIT, DARK = {"lamp": True, "power": True, "intensity": 60.0}, {"lamp": False, "power": False, "intensity": 0.0}
CADENCE_S = 120
CADENCE = timedelta(seconds=CADENCE_S)
SUPPER, BACK = EVENING + timedelta(minutes=20), EVENING + timedelta(minutes=180)


def minutes(n: float) -> timedelta:
    return timedelta(minutes=n)


class TimedMailbox(Mailbox):
    """A mail server that notes when each came, by the wall."""

    def __init__(self) -> None:
        super().__init__()
        self.at: list[tuple[datetime, str, str, str]] = []

    async def handle_DATA(self, server: object, session: object, envelope: object) -> str:
        mail = message_from_bytes(envelope.content, policy=policy.default)
        self.at.append((datetime.now(UTC), envelope.rcpt_tos[0], str(mail["subject"]), mail.get_content()))
        return "250 OK"


class Receiver:
    """A webhook's receiver on a port of loopback, which notes what was posted, and when by the wall."""

    def __init__(self) -> None:
        self.at: list[tuple[datetime, str, str]] = []
        noted = self.at

        class Posted(BaseHTTPRequestHandler):
            def do_POST(self) -> None:
                got = json.loads(self.rfile.read(int(self.headers["Content-Length"])))
                noted.append((datetime.now(UTC), got["title"], got["message"]))
                self.send_response(204)
                self.end_headers()

            def log_message(self, *_: object) -> None:
                pass

        self._server = ThreadingHTTPServer(("127.0.0.1", 0), Posted)
        self.url = f"json://127.0.0.1:{self._server.server_port}/"

    def start(self) -> None:
        threading.Thread(target=self._server.serve_forever, daemon=True).start()

    def stop(self) -> None:
        self._server.shutdown()
        self._server.server_close()


@dataclass
class Evening:
    """A fleet whose first cabins hang on one line, its people, and a clock of its own."""

    folder: Path
    store_path: Path
    broker: Mosquitto
    cabins: int
    cut: int
    box: TimedMailbox = field(default_factory=TimedMailbox)
    hook: Receiver = field(default_factory=Receiver)
    clock: Clock = field(default_factory=Clock)
    collector: Running | None = None
    sender: paho.Client | None = None

    @property
    def slugs(self) -> list[str]:
        return [f"cabin-{n:02d}" for n in range(self.cabins)]

    def enroll(self) -> None:
        fleet = REACTOR
        for n, slug in enumerate(self.slugs):
            line = 'supply_line = "line-7"' if n < self.cut else ""
            cabin = cabin_toml(slug, "main", extra=line).replace("cadence_s = 60", f"cadence_s = {CADENCE_S}")
            fleet += cabin.replace("latitude = 45.4", f"latitude = {45 + n * 0.3}")
        fleet += '\n[[contact]]\nname = "Maren Osk"\nrole = "manager"\nchannels = ["FIRST", "HOOK"]\n'
        fleet += '\n[[contact]]\nname = "Idris Vael"\nrole = "manager"\nchannels = ["SECOND"]\norder = 2\n'
        for n, slug in enumerate(self.slugs):
            fleet += (f'\n[[contact]]\nname = "Owner {n}"\nrole = "owner"\ncabins = ["{slug}"]\n'
                      f'channels = ["OWNER{n}"]\n')
        store = Store(self.store_path)
        store.act("enroll", {"text": fleet})
        store.close()
        addresses = {"FIRST": FIRST, "SECOND": SECOND} | {f"OWNER{n}": self.owner(n) for n in range(self.cabins)}
        (self.folder / "settings.toml").write_text("channels_file = \"{}\"\n".format(secrets_file(
            self.folder, HOOK=self.hook.url, **{name: self.box.url(to) for name, to in addresses.items()})),
            encoding="utf-8")

    @staticmethod
    def owner(n: int) -> str:
        return f"owner{n}@example.org"

    def go(self, at: datetime, speed: float) -> None:
        """Kill the collector, if one runs, and start it at that instant of the evening with that speed."""
        if self.collector is not None:
            self.collector.kill()
        store = Store(self.store_path)
        store.con.execute("DELETE FROM clock")
        self.clock = Clock(wall_start=datetime.now(UTC), store_start=at, speed=speed)
        store.con.execute("INSERT INTO clock VALUES ($wall, $at_, $speed)", {
            "wall": self.clock.wall_start, "at_": at, "speed": speed})
        store.close()
        if self.collector is None:
            self.collector = Running(
                Settings(store=self.store_path, broker=self.broker.url), self.store_path.with_name("collector.log"),
                ("--config", str(self.folder / "settings.toml")))
        self.collector.start()

    def say(self, cabin: str, at: datetime, **values: float | bool) -> None:
        assert self.sender is not None
        self.sender.publish(
            f"tarnlight/{cabin}/main/log", senml(at, **{"flow": 0.0, "uvt": 0.85, **values}), qos=1)

    def until(self, at: datetime, then: Callable[[datetime], None]) -> None:
        """Play the evening minute by minute up to then; `then` says what is read in each, when it has come."""
        while (now := self.clock.now()) < at:
            then(now)
            time.sleep(0.02)

    def confirm_all(self) -> int:
        """Somebody reads every advisory that nobody has confirmed."""
        assert self.collector is not None
        one = self.collector.client()
        try:
            open_ = one.ask("""
                SELECT DISTINCT advisory FROM notification AS n ANTI JOIN confirmation AS c
                ON c.advisory = n.advisory AND c."at" >= n."at"
                WHERE kind IN ('raised', 'exposed') AND advisory NOT IN (
                    SELECT advisory FROM told_until WHERE lifted)""")["advisory"].tolist()
            for number in open_:
                one.act("confirm", {"advisory": number, "by": "Ann Lund"})
            return len(open_)
        finally:
            one.close()

    def mails(self, to: str, before: datetime | None = None) -> list[tuple[datetime, str, str]]:
        """What somebody got: when by the store's clock, title, body."""
        return [(at, subject, body) for at, reader, subject, body in self.arrived
                if reader == to and (before is None or at < before)]

    @property
    def arrived(self) -> list[tuple[datetime, str, str, str]]:
        return [(self.clock.at(wall), to, subject, body) for wall, to, subject, body in self.box.at]

    def asked(self, sql: str) -> list[tuple]:
        assert self.collector is not None
        one = self.collector.client()
        try:
            return list(one.ask(sql).itertuples(index=False, name=None))
        finally:
            one.close()

    def lift_all(self, numbers: list[str]) -> None:
        assert self.collector is not None
        one = self.collector.client()
        for number in numbers:
            one.act("advisory-lift", {"advisory": number, "by": "Ann Lund", "reason": "an exercise"})
        one.close()

    def all_noted(self) -> bool:
        """Whether nothing that is never held back is in line or in hand."""
        return self.asked("""
            SELECT count(*) FROM notification AS n LEFT JOIN notification_attempt AS t USING (key)
            WHERE n.channel <> '' AND n.urgent AND t.key IS NULL""") == [(0,)]


@pytest.fixture
def evening_of(mosquitto, store_path, tmp_path) -> Iterator[Callable[[int, int], Evening]]:
    made: list[Evening] = []

    def make(cabins: int, cut: int) -> Evening:
        one = Evening(tmp_path, store_path, mosquitto, cabins, cut)
        one.enroll()
        one.box.start()
        one.hook.start()
        made.append(one)
        return one

    yield make
    for one in made:
        one.box.stop()
        one.hook.stop()
        if one.collector is not None and one.collector.process is not None:
            one.collector.kill()


def test_four_cabins_three_cut_are_one_warning_within_a_minute_and_one_boil_message(evening_of, mosquitto):
    evening = evening_of(4, 3)
    evening.go(EVENING - minutes(1), 4.0)  # a minute of it is 15 s, on a busy machine too
    with publisher(mosquitto.port) as evening.sender:
        for slug in evening.slugs:
            for n in range(12, 0, -1):
                evening.say(slug, EVENING - minutes(1 + 2 * n), **LIT)
        wait_for(lambda: evening.asked("SELECT count(*) FROM present") == [(4,)], 30, "all are heard")
        off = evening.clock.now()
        for slug in evening.slugs[:3]:
            evening.say(slug, off, **DARK)
        wait_for(lambda: len(evening.mails(FIRST)) >= 1 and len(evening.box.at) >= 5, 60, "the warnings arrive")
        for at, _, _, body in evening.arrived:
            assert at - off <= timedelta(seconds=60), body
        for to in (FIRST, SECOND):
            ((_, subject, body),) = evening.mails(to)
            assert subject == "Power cut: do not use the tap at 3"
            for slug in evening.slugs[:3]:
                assert body.count(f"- {slug.title()}: the power is off") == 1
            assert body.count("What your local health authority says goes before this.") == 1
        for n in range(3):
            ((_, subject, body),) = evening.mails(evening.owner(n))
            assert subject == f"Do not use the tap: Cabin-0{n}"
            assert "tarnlight " not in body
        assert evening.mails(evening.owner(3)) == []
        drawn = evening.clock.now()
        for slug in evening.slugs[:2]:  # the tank was emptied all the same
            for n in (0, 1):
                evening.say(slug, drawn + timedelta(seconds=n), flow=8 / 6e4, **DARK)
        wait_for(lambda: len(evening.mails(FIRST)) == 2 and evening.all_noted(), 60, "and the boil message")
    _, subject, body = evening.mails(FIRST)[1]
    assert subject == "Power cut: boil water at 2"
    assert [(title, text.split()) for _, title, text in evening.hook.at] == [
        (subject, text.split()) for _, subject, text in evening.mails(FIRST)]
    assert evening.clock.at(evening.hook.at[0][0]) - off <= timedelta(seconds=60)
    for number, cabin in evening.asked("SELECT id, cabin FROM advisory"):
        assert f"- {cabin.title()}: " in body
        assert f"read boil advisory {number}." in body
    assert len(evening.mails(SECOND)) == 1  # is called only where nobody confirms
    twice = evening.asked("SELECT key FROM notification_attempt GROUP BY key HAVING count(*) > 1")
    assert twice == []


@dataclass
class Loggers:
    """What thirty loggers say, every two minutes each.

    Twelve are cut: ten say so, four of these fall silent twenty minutes later, two at once. At supper four cabins
    draw from their tanks all the same. Somebody confirms every five minutes what nobody has.
    """

    evening: Evening
    read: datetime = EVENING - CADENCE
    confirmed: datetime = EVENING
    person: threading.Thread | None = None

    def __post_init__(self) -> None:
        slugs = self.evening.slugs
        self.cut, self.say_off, self.draw = slugs[:12], slugs[:10], slugs[:4]
        self.silent = dict.fromkeys(slugs[6:10], SUPPER) | dict.fromkeys(slugs[10:12], EVENING)

    def __call__(self, now: datetime) -> None:
        turn = EVENING + CADENCE * ((now - EVENING) // CADENCE)
        while self.read < turn:  # what was read while nobody listened comes late, and comes
            self.read += CADENCE
            for slug in self.evening.slugs:
                self._say(slug, self.read)
        if now - self.confirmed >= minutes(5) and not (self.person and self.person.is_alive()):
            self.confirmed = now
            self.person = threading.Thread(target=self.evening.confirm_all)
            self.person.start()

    def _say(self, slug: str, turn: datetime) -> None:
        out = slug in self.cut and EVENING <= turn < BACK
        if out and turn >= self.silent.get(slug, BACK):
            return
        flow = 6 / 6e4 if slug in self.draw and SUPPER <= turn < SUPPER + CADENCE else 0.0
        self.evening.say(slug, turn, flow=flow, **(DARK if out else LIT))


def latest_warning_s(evening: Evening, loggers: Loggers) -> float:
    """When the last of those who had to be warned was, after the power went; by the store's clock."""
    after = []
    for slug in loggers.say_off:
        for to in (FIRST, SECOND, evening.owner(evening.slugs.index(slug))):
            after.append(min((
                (at - EVENING).total_seconds() for at, _, body in evening.mails(to)
                if f"{slug.title()}: the power is off" in body), default=float("inf")))
    return max(after)


@pytest.mark.slow
@pytest.mark.timeout(1200)
def test_thirty_cabins_and_a_cut_of_three_hours(evening_of, mosquitto):
    """Somebody confirms within ten minutes; the collector is killed twice. At most three messages, then eight."""
    evening = evening_of(30, 12)
    loggers, every = Loggers(evening), []

    def go_on(speed: float) -> None:
        if loggers.person:
            loggers.person.join(20)
        wait_for(evening.all_noted, 20, "nothing is in hand")
        every.extend(evening.arrived)
        evening.box.at.clear()
        evening.go(evening.clock.now(), speed)

    evening.go(EVENING - minutes(2), 8.0)
    with publisher(mosquitto.port) as evening.sender:
        for slug in evening.slugs:
            for n in range(15, 0, -1):
                evening.say(slug, EVENING - minutes(2 * n), **LIT)
        evening.until(EVENING, lambda _: None)
        evening.until(EVENING + minutes(4), loggers)
        warned_s = latest_warning_s(evening, loggers)
        go_on(60.0)
        evening.until(EVENING + minutes(90), loggers)
        go_on(60.0)
        evening.until(BACK + minutes(60), loggers)
        standing = evening.asked("SELECT id, cabin FROM advisory")
        lifting = threading.Thread(target=evening.lift_all, args=([number for number, _ in standing],))
        lifting.start()
        evening.until(BACK + minutes(110), loggers)
        lifting.join(10)
        loggers.person.join(10)
    every += evening.arrived
    cut = {to: sum(reader == to and at < BACK for at, reader, _, _ in every) for to in (FIRST, SECOND)}
    whole = {to: sum(reader == to for _, reader, _, _ in every) for to in (FIRST, SECOND)}
    posted = len(evening.hook.at)
    print(f"the last warning after {warned_s:.0f} s; messages in the cut {cut}, in all {whole}; posted {posted}")
    for at, reader, subject, _ in every:
        if reader in (FIRST, SECOND):
            print(f"  {at:%H:%M:%S} {reader}: {subject}")
    assert warned_s <= 60
    assert max(cut.values()) <= 3
    assert max(whole.values()) <= 8
    assert posted == whole[FIRST]  # the same over both channels of one person
    assert {cabin for _, cabin in standing} >= {*loggers.draw, *loggers.silent}
    told = "\n".join(body for _, reader, _, body in every if reader == FIRST)
    for number, cabin in standing:
        assert f"read boil advisory {number}." in told
        assert f"{cabin.title()}: Ann Lund lifted" in told
    for n, slug in enumerate(evening.slugs):
        mine = [body for _, reader, _, body in every if reader == evening.owner(n)]
        assert all(slug.title() in body and "tarnlight " not in body for body in mine)
        assert bool(mine) == (slug in loggers.cut)
    assert evening.asked("SELECT key FROM notification_attempt WHERE ok GROUP BY key HAVING count(*) > 1") == []


@dataclass
class Dark:
    """Three cabins that stay dark, and say so every two minutes; the fourth stays lit."""

    evening: Evening
    read: datetime

    def __call__(self, now: datetime) -> None:
        while self.read + CADENCE <= now:
            self.read += CADENCE
            for n, slug in enumerate(self.evening.slugs):
                self.evening.say(slug, self.read, **(LIT if n == 3 else DARK))


@pytest.mark.slow
@pytest.mark.timeout(400)
def test_where_nobody_confirms_the_next_is_called_and_reminders_go_on_until_somebody_does(evening_of, mosquitto):
    evening = evening_of(4, 3)
    evening.go(EVENING - minutes(1), 4.0)
    with publisher(mosquitto.port) as evening.sender:
        for slug in evening.slugs:
            for n in range(12, 0, -1):
                evening.say(slug, EVENING - minutes(1 + 2 * n), **LIT)
        wait_for(lambda: evening.asked("SELECT count(*) FROM present") == [(4,)], 30, "all are heard")
        off = evening.clock.now()
        for n, slug in enumerate(evening.slugs):
            evening.say(slug, off, **(LIT if n == 3 else DARK))
        for slug in evening.slugs[:2]:
            for n in (1, 2):
                evening.say(slug, off + timedelta(seconds=n), flow=8 / 6e4, **DARK)
        wait_for(lambda: any("boil water at 2" in one[1] for one in evening.mails(FIRST)), 60, "the boil message")
        wait_for(evening.all_noted, 20, "nothing is in hand")
        told = {to: [at for at, _, body in evening.mails(to) if "boil advisory" in body] for to in (FIRST, SECOND)}
        (begun,) = told[FIRST]
        assert told[SECOND] == []
        evening.box.at.clear()
        evening.go(evening.clock.now(), 120.0)  # two minutes in a second: the collector looks every four of them
        loggers = Dark(evening, off)
        evening.until(begun + minutes(100), loggers)
        wait_for(evening.all_noted, 20, "nothing is in hand")
        reminded = {to: [(at, subject, body) for at, subject, body in evening.mails(to) if "Not confirmed yet" in (
            subject)] for to in (FIRST, SECOND, *(evening.owner(n) for n in range(4)))}
        called = [at for at, _, body in evening.mails(SECOND) if "boil advisory" in body]
        # the next in order a quarter of an hour after the first was told; each again every half hour, of both
        assert min(called) - begun >= minutes(15)
        assert min(called) - begun <= minutes(15 + 15)
        times = [begun, *(at for at, _, _ in reminded[FIRST])]
        assert 3 <= len(times) <= 4  # at 30, 60 and 90 min at the soonest, each counted from the last delivery
        assert all(minutes(30) <= later - one <= minutes(45) for one, later in pairwise(times))
        assert len(reminded[SECOND]) >= 1
        assert len(reminded[evening.owner(0)]) == len(reminded[evening.owner(1)]) >= 2
        assert reminded[evening.owner(2)] == reminded[evening.owner(3)] == []  # no water was drawn there
        for _, _, body in reminded[FIRST]:
            assert all(f"{slug.title()}: " in body for slug in evening.slugs[:2])
            assert "Over at the earliest" in body and "no promise" in body
        evening.confirm_all()
        wait_for(evening.all_noted, 20, "nothing is in hand")
        sent = len(evening.box.at)
        evening.until(evening.clock.now() + minutes(45), loggers)
        assert [subject for _, _, subject, _ in evening.box.at[sent:] if "Not confirmed yet" in subject] == []
    assert evening.asked("SELECT key FROM notification_attempt WHERE ok GROUP BY key HAVING count(*) > 1") == []
