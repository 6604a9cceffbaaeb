"""The notice at the tap as paper: opened, read back, and its code scanned, by libraries that did not make it."""

import shutil
import subprocess
from dataclasses import replace
from datetime import UTC, datetime, timedelta
from io import BytesIO

import pytest
from pypdf import PdfReader

from dashboard.sheets.notice_pdf import Paper, cabin_url, notice_pdf, plain_url
from ingest.language.catalogue import translation
from models.advisory import Exposure, advance, exposure_event
from models.advisory.notice import notice
from models.fleet import Cabin, Contact, Role, Unit

START = datetime(2026, 7, 4, 7, 10, tzinfo=UTC)  # 03:10 in Toronto, daylight time
CABIN = Cabin(
    slug="heron-point", name="Heron Point", time_zone="America/Toronto", latitude=45.4, longitude=-79.2,
    altitude_m=320.0, units=(Unit(slug="main", reactor="annular-40", uvt_pct=82.0, peak_flow_l_min=28.0),))
PEOPLE = (
    Contact(name="Ann Marsh", role=Role.MANAGER, phone="+1 555 0100"),
    Contact(name="Lakes Health Unit", role=Role.HEALTH_AUTHORITY, phone="+1 555 0199"))
CUT = Exposure(
    cause="power-cut", start=START, end=START + timedelta(minutes=35), underdosed_l=41.0, underdosed_l_upper=41.3)
URL = cabin_url("https://water.example.org/", "heron-point", "main")


def words(*, cabin=CABIN, contacts=PEOPLE):
    raised = exposure_event(None, CUT, at=START + timedelta(minutes=36), hot_tank_l=150.0)
    return notice(
        advance(None, raised), cabin, unit="main", printed_at=START + timedelta(hours=2), contacts=contacts)


def read(pdf: bytes) -> str:
    """All words of a PDF that must have one page, with single spaces."""
    pages = PdfReader(BytesIO(pdf)).pages
    assert len(pages) == 1
    return " ".join(pages[0].extract_text().split())


def scanned(pdf: bytes, folder, dpi: int = 100) -> list[str]:
    """What a reader of bar codes finds on the printed page."""
    if shutil.which("pdftoppm") is None:
        pytest.skip("needs pdftoppm (Debian's poppler-utils) to print the page")
    zxingcpp = pytest.importorskip("zxingcpp", reason="needs zxing-cpp to scan the printed code")
    from PIL import Image

    path = folder / "notice.pdf"
    path.write_bytes(pdf)
    subprocess.run(["pdftoppm", "-r", str(dpi), "-png", "-singlefile", path, folder / "page"], check=True)
    return [one.text for one in zxingcpp.read_barcodes(Image.open(folder / "page.png"))]


def test_the_page_says_date_reason_what_to_do_who_lifts_it_and_whom_to_call():
    text = read(notice_pdf(words(), url=URL))
    for part in (
        "Boil water before drinking", "Heron Point", "In force since 04 Jul 2026 03:46 EDT",
        "Between 03:10 EDT and 03:45 EDT on 04 Jul 2026 water was drawn while the power was off",
        "About 42 L of water reached the pipes without full disinfection.",
        "keep it boiling for 1 minute", "Throw away ice", "Leave this notice at the tap until it is lifted.",
        "Only a person can lift this notice, never the program: Ann Marsh, +1 555 0100.",
        "Local health authority: Lakes Health Unit, +1 555 0199",
        "Boiling does not remove chemicals", "nitrate", "What your local health authority says goes before",
        "2 drops of 8.25 % bleach", "Printed 04 Jul 2026 05:10 EDT",
    ):
        assert part in text, part


# EPA asks 3 minutes from 1,524 m on (Dorris et al., Emerging Infectious Diseases 31(8), 2025, Table; seen).
def test_a_high_cabin_boils_longer():
    assert "keep it boiling for 3 minutes" in read(notice_pdf(words(cabin=replace(CABIN, altitude_m=1600.0))))


@pytest.mark.parametrize(("paper", "size_mm"), [(Paper.A4, (210.0, 297.0)), (Paper.LETTER, (215.9, 279.4))])
def test_the_page_is_a4_or_letter(paper, size_mm):
    # ISO 216 and ANSI/ASME Y14.1 (from memory); a point is 25.4 / 72 mm
    box = PdfReader(BytesIO(notice_pdf(words(), url=URL, paper=paper))).pages[0].mediabox
    assert [float(side) * 25.4 / 72 for side in (box.width, box.height)] == pytest.approx(size_mm, abs=0.1)


@pytest.mark.parametrize("paper", list(Paper))
def test_the_code_scans_to_the_cabins_page_even_from_a_coarse_print(paper, tmp_path):
    found = scanned(notice_pdf(words(), url=URL, paper=paper), tmp_path)
    assert found == ["https://water.example.org/cabin?cabin=heron-point&unit=main"]


def test_the_longest_address_that_slugs_allow_still_scans(tmp_path):
    url = cabin_url("https://water-of-all-our-lakeside-cabins.example.org/tarnlight", "a" * 63, "b" * 63)
    assert scanned(notice_pdf(words(), url=url), tmp_path, dpi=150) == [url]


def test_the_plain_page_of_the_same_unit_stands_below_the_code():
    text = read(notice_pdf(words(), url=URL))
    plain = "https://water.example.org/notice?cabin=heron-point&unit=main"
    assert plain_url(URL) == plain and "On a bad line, open" in text and plain in text.replace(" ", "")
    below = cabin_url("https://example.org/tarnlight/", "heron-point", "main")
    assert plain_url(below).startswith("https://example.org/tarnlight/notice?cabin=heron-point")


def test_without_an_address_there_is_no_code_and_the_page_says_whom_to_ask(tmp_path):
    pdf = notice_pdf(words())
    assert "ask whoever lifts it for the page of Heron Point" in read(pdf)
    assert scanned(pdf, tmp_path) == []
    assert cabin_url("", "heron-point", "main") == ""


def test_the_type_is_large_and_its_smallest_is_8_points_with_the_usual_contacts():
    sizes = []
    PdfReader(BytesIO(notice_pdf(words(), url=URL))).pages[0].extract_text(
        visitor_text=lambda text, cm, tm, font, size: sizes.append(size * tm[3]) if text.strip() else None)
    assert min(sizes) >= 8 and max(sizes) >= 30


def test_many_contacts_shrink_the_type_but_stay_on_one_page():
    people = [replace(PEOPLE[number % 2], name=f"Person Number {number}") for number in range(40)]
    text = read(notice_pdf(words(contacts=people), url=URL))
    assert "Person Number 38" in text and "Person Number 39" in text and "nitrate" in text


def test_more_than_fits_is_refused_rather_than_cut_off():
    people = [replace(PEOPLE[1], name=f"{'Very Long Name ' * 12}{number}") for number in range(60)]
    with pytest.raises(ValueError, match=r"does not fit on one page.*60 to call"):
        notice_pdf(words(contacts=people), url=URL)


def test_names_are_words_and_never_markup_and_letters_that_the_font_lacks_do_not_vanish():
    text = read(notice_pdf(words(cabin=replace(CABIN, name="<b>L'Épaule</b> & Łódź ᐊᑎ"))))
    assert "<b>L'Épaule</b> & Łódz ??" in text


def test_a_second_page_is_in_the_cabins_language_and_says_that_nobody_has_checked_it():
    pages = PdfReader(BytesIO(notice_pdf(words(), url=URL, spoken=translation("fr")))).pages
    first, second = (" ".join(page.extract_text().split()) for page in pages)
    assert first == read(notice_pdf(words(), url=URL))
    for part in (
        "Faites bouillir l'eau avant de la boire", "Personne n'a vérifié cette traduction", "Ce qui s'est passé",
        "Entre 03:10 EDT et 03:45 EDT le 04/07/2026, de l'eau a été tirée alors que le courant était coupé",
        "Autorité sanitaire locale : Lakes Health Unit, +1 555 0199",
    ):
        assert part in second.replace("\u00a0", " "), part
