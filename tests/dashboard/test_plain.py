"""The plain page: a real `tarnlight show`, asked over a socket by what knows no script."""

from __future__ import annotations

import re
from collections.abc import Iterator
from html.parser import HTMLParser
from pathlib import Path

import pytest

from dashboard.sheets.plain_page import Told, old_page
from dashboard.text.measures import Units
from dashboard.text.step_facts import step_here, step_sentence
from dashboard.text.verdicts import reasons
from ingest.queries import status
from ingest.settings import Settings
from ingest.store import Store
from models.advisory.work_cautions import sentences
from models.verdict import Word
from tests.conftest import FLEET_TOML, Running, cabin_toml, free_port
from tests.dashboard.test_gate import answer, html, shown
from tests.dashboard.text.test_verdicts import NOW
from tests.dashboard.text.test_verdicts import status as a_status
from tests.dashboard.views.test_app import fill

MOST_BYTES = 60_000
NASTY = "<script>alert(1)</script>"
KEY = ("otter-cove", "main")
DARK = "/notice?cabin=otter-cove&unit=main"


@pytest.fixture(scope="module")
def served(tmp_path_factory: pytest.TempPathFactory) -> Iterator[tuple[int, Running]]:
    """The page's port, and its collector: a cabin that is fine, a dark one with the tap open, a nasty name."""
    folder = tmp_path_factory.mktemp("plain")
    path = folder / "tarnlight.duckdb"
    store = Store(path)
    nasty = cabin_toml("bad-name", "main").replace('name = "Bad-Name"', f'name = "{NASTY} Bay"')
    store.act("enroll", {"text": FLEET_TOML + nasty})
    store.close()
    fill(path)
    one = Running(Settings(store=path, broker=f"mqtt://127.0.0.1:{free_port()}"), folder / "collector.log")
    one.start(connected=False)
    with shown(folder) as port:
        yield port, one
    one.kill()


def got(port: int, path: str = DARK) -> tuple[int, str, str]:
    """Status, head and body."""
    status, told = html(port, f"127.0.0.1:{port}", path=path)
    head, _, body = told.partition("\r\n\r\n")
    return status, head.lower(), body.encode("latin-1").decode()


def words(body: str) -> str:
    """What a reader sees of it."""
    seen: list[str] = []

    class Reader(HTMLParser):
        quiet = False

        def handle_starttag(self, tag: str, attrs: object) -> None:
            self.quiet = tag in ("style", "script")

        def handle_data(self, data: str) -> None:
            if not self.quiet:
                seen.append(data)

    Reader().feed(body)
    return " ".join(" ".join(seen).split())


def test_it_says_verdict_action_step_cautions_and_when_in_a_few_kilobytes(served) -> None:
    status, head, body = got(served[0])
    text = words(body)
    assert status == 200 and len(head) + len(body) < MOST_BYTES
    assert "Otter-Cove, main" in text and "■ Boil since" in text
    assert "until a named person lifts the advisory" in text and "Bring the water to a rolling boil" in text
    # the tap is still open: no step counts yet
    assert "Before step 1 of 9: Draw no water to drink" in text
    assert "Water drawn without a full dose:" in text and "The power is off, and the lamp is dark." in text
    assert "When is it over?" in text and "Now The power is off, the lamp is dark," in text
    assert "Take care Boiling does not remove chemicals" in text and "local health authority" in text
    assert re.search(r"As of \w{3} \d+ \w{3} \d{4}, \d\d:\d\d E[SD]T, the time at the cabin\.", text)
    assert "No messages can arrive" in text  # its broker does not answer, which is no secret here either
    assert 'href="notice?cabin=otter-cove&amp;unit=annex&amp;units=metric">annex</a>' in body
    assert "○ Silent annex" in text


def test_it_says_word_for_word_what_the_cabins_page_says(served) -> None:
    client = served[1].client()
    one = next(one for one in status(client, client.now()) if (one.cabin.slug, one.unit.slug) == KEY)
    text = words(got(served[0])[2])
    assert f"What to do now {one.verdict.next_action}" in text
    for sentence in (*sentences(one.verdict.works), *reasons(one)):
        assert sentence in text
    step, _ = step_here(one.standing.advisory, one.unit, one.cabin, Units.METRIC)
    assert step_sentence(one.standing.advisory, step) in text


@pytest.mark.parametrize("word", list(Word))
def test_of_a_collector_that_has_stopped_moving_nothing_is_called_fine(word: Word) -> None:
    one = a_status("Fern Bay", word)
    told = words(old_page(Told(
        status=one, at=NOW, now="The lamp is lit.", cautions=(), call=("Manager: Ann",), others=(one,),
        trouble=("What you see is old", "No sign of life."))))
    assert "Not known now." in told and "What you see is old" in told and "Manager: Ann" in told
    for fine in ("Clear", "Watch", "lamp is lit", one.verdict.next_action):
        assert fine not in told
    assert ("Before that:" in told) == (word in (Word.BOIL, Word.SILENT))


def test_it_needs_no_script_and_fetches_nothing(served) -> None:
    _, head, body = got(served[0])
    assert not re.search(r"<script|<link|<img|<iframe|<form|url\(|@import|onload|http", body)
    assert "default-src 'none'" in head and "cache-control: no-store" in head and "nosniff" in head
    assert "x-frame-options: sameorigin" in head and "set-cookie" not in head


def test_a_cabin_that_is_fine_has_no_step(served) -> None:
    status, _, body = got(served[0], "/notice?cabin=heron-point&unit=main")
    text = words(body)
    assert status == 200 and "● Clear" in text and "step" not in text.lower().split("record a step")[0]
    assert "Unknown is never clear" in text


def test_without_a_name_it_is_the_worst_unit_of_all_or_of_the_cabin(served) -> None:
    for path in ("/notice", "/notice?cabin=otter-cove"):
        assert "<h1>Otter-Cove, main</h1>" in got(served[0], path)[2]


@pytest.mark.parametrize("query", [
    f"cabin={NASTY}", f"cabin=otter-cove&unit={NASTY}", f"unit={NASTY}", "cabin=no-such-cabin",
    "cabin=%00&unit=%ff", "cabin=" + "x" * 5000, "cabin=otter-cove&unit=../main"])
def test_what_is_not_enrolled_is_refused_and_nothing_of_it_is_repeated(served, query: str) -> None:
    status, _, body = got(served[0], "/notice?" + query.replace("<", "%3C").replace(">", "%3E"))
    assert status == 404 and "Not enrolled here" in body
    assert "Not known is never clear: where in doubt, boil" in body
    for part in ("script>", "alert", "no-such", "xxx", "../"):
        assert part not in body


def test_a_name_that_is_markup_is_shown_as_it_was_written(served) -> None:
    status, _, body = got(served[0], "/notice?cabin=bad-name&unit=main")
    assert status == 200 and NASTY not in body and f"{NASTY} Bay, main" in words(body)


def test_units_are_the_readers_choice_and_a_strange_one_is_passed_over(served) -> None:
    assert re.search(r"full dose: \S+ (to \S+ )?gal", words(got(served[0], DARK + "&units=us")[2]))
    assert "unit=annex&amp;units=us" in got(served[0], DARK + "&units=us")[2]
    for units in ("metric", "<b>", ""):
        assert re.search(r"full dose: \S+ (to \S+ )?L", words(got(served[0], f"{DARK}&units={units}")[2]))


@pytest.mark.parametrize(("host", "origin", "status"), [
    ("evil.example", "", 421), ("127.0.0.1:{port}", "http://evil.example", 403), ("localhost:{port}", "", 200)])
def test_it_stands_behind_the_same_gate(served, host: str, origin: str, status: int) -> None:
    port = served[0]
    more = [f"Origin: {origin}"] if origin else []
    found, told = html(port, host.format(port=port), *more, path=DARK)
    assert found == status and ("Otter-Cove" in told) == (status == 200)


def test_only_reading_is_answered(served) -> None:
    port = served[0]
    status, told = answer(
        port, f"Host: 127.0.0.1:{port}", "Connection: close", "Content-Length: 0", path=DARK, method="POST")
    assert status == 405 and "Otter-Cove" not in told


def test_without_a_collector_it_says_that_nothing_is_known_and_comes_back(tmp_path: Path, served) -> None:
    with shown(tmp_path) as port:
        status, head, body = got(port)
        text = words(body)
        assert status == 503 and "The collector does not answer" in text and "not known" in text
        assert "boil tap water before drinking or use bottled water" in text
        assert not re.search(r"Clear|Otter", text) and "cache-control: no-store" in head
    port, one = served
    one.kill()
    assert got(port)[0] == 503
    one.start(connected=False)
    assert got(port)[0] == 200
