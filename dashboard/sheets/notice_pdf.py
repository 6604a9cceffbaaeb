"""The notice at the tap as a PDF: one page of large type to print and hang up; a second in the cabin's language.

Its words are those of `models.advisory.notice`.
"""

from __future__ import annotations

from collections.abc import Iterable
from enum import StrEnum
from io import BytesIO
from urllib.parse import urlencode, urlsplit, urlunsplit
from xml.sax.saxutils import escape

from qrcode.constants import ERROR_CORRECT_M
from qrcode.main import QRCode
from reportlab.lib.colors import Color, black, white
from reportlab.lib.pagesizes import A4, letter
from reportlab.lib.styles import ParagraphStyle
from reportlab.lib.units import mm
from reportlab.pdfbase import pdfmetrics
from reportlab.pdfgen.canvas import Canvas
from reportlab.platypus import Paragraph

from dashboard.sheets.lettering import BOLD, REGULAR, printable, register
from models.advisory.notice import Notice, notices_in
from models.wording import ENGLISH, Translation

MARGIN = 14 * mm
GUTTER = 7 * mm
QR_SIDE = 40 * mm  # read at arm's length by any phone; common practice, no source
QR_QUIET_MODULES = 4  # of white around the code (ISO/IEC 18004, from memory)
LARGEST, SMALLEST = 1.3, 0.4  # of the sizes below; smaller type on a wall would not be read
STEP = 0.98


class Paper(StrEnum):
    """What the printer holds."""

    A4 = "a4"
    LETTER = "letter"


SIZES = {Paper.A4: A4, Paper.LETTER: letter}


def cabin_url(public_url: str, cabin: str, unit: str) -> str:
    """Address of a unit's page for a phone; empty where nobody said by which address the pages are reached."""
    if not public_url:
        return ""
    return f"{public_url.rstrip('/')}/cabin?{urlencode({'cabin': cabin, 'unit': unit})}"


def plain_url(url: str) -> str:
    """Address of the plain page of the same unit (`dashboard.plain`)."""
    parts = urlsplit(url)
    return urlunsplit(parts._replace(path=parts.path.rpartition("/")[0] + "/notice"))


def notice_pdf(
    notice: Notice, *, url: str = "", paper: Paper = Paper.A4, spoken: Translation | None = None
) -> bytes:
    """The notice as a PDF, each language a page.

    Parameters
    ----------
    notice : Notice
        Its words.
    url : str
        Where the QR code leads; empty: the page says instead which cabin to ask for.
    paper : Paper
        A4 or Letter.
    spoken : Translation or None
        The cabin's language; None: English. While nobody has checked it, the English page comes first.

    Returns
    -------
    bytes
        Black on white, so that any printer does.

    Raises
    ------
    ValueError
        If the words do not fit on one page even in the smallest type; says what to shorten.

    Notes
    -----
    Sizes shrink together from the largest until all fits on one page.
    """
    out = BytesIO()
    canvas = Canvas(out, pagesize=SIZES[paper], lang=spoken.language if spoken and spoken.reviewed_by else ENGLISH)
    canvas.setTitle(f"{notice.title}: {notice.place}")
    canvas.setAuthor("tarnlight")
    canvas.setCreator("tarnlight")
    canvas.setSubject(notice.raised)
    for one in notices_in(notice, spoken):
        _fitted(one, url, SIZES[paper]).draw(canvas)
        canvas.showPage()
    canvas.save()
    return out.getvalue()


def _fitted(notice: Notice, url: str, size: tuple[float, float]) -> _Page:
    """The page in the largest type in which it fits."""
    width, height = size
    scale = LARGEST
    while (page := _Page(notice, url, width, height, scale)).bottom < MARGIN:
        scale *= STEP
        if scale < SMALLEST:
            raise ValueError(
                "the notice does not fit on one page: too many or too long names of managers and health "
                f"authorities ({len(notice.call)} to call); enrol those of this cabin only")
    return page


class _Page:
    """Where each part stands, from the top down; `bottom` is how far it reaches. [pt]"""

    def __init__(self, notice: Notice, url: str, width: float, height: float, scale: float) -> None:
        self.scale = scale
        self.parts: list[tuple[Paragraph, float, float]] = []  # paragraph, left, bottom
        self.rules: list[float] = []  # heights of lines across the page
        self.qr: tuple[str, float, float] | None = None  # address, left, bottom
        self.left, self.width = MARGIN, width - 2 * MARGIN
        self.band = (0.0, 0.0)  # bottom and top of the black band
        register()
        self._lay_out(notice, url, height)

    def _lay_out(self, notice: Notice, url: str, height: float) -> None:
        inside = 5 * mm
        top = height - MARGIN
        one_line = pdfmetrics.stringWidth(notice.title, BOLD, 1.0) * self.scale
        title_size = min(40.0, (self.width - 2 * inside - 1) / one_line)
        y = self._down([notice.title], title_size, top - 0.6 * inside, bold=True, ink=white, inset=inside)
        y = self._down([notice.place], 19, y - 1, bold=True, ink=white, inset=inside)
        y = self._down([notice.raised], 12, y - 1, ink=white, inset=inside) - inside * 0.7
        self.band = (y, top)
        if notice.unchecked:
            y = self._down([notice.unchecked], 11, y - 2 * mm, bold=True)
        y = self._down([notice.boil_words], 19, y - 4 * mm, bold=True) - 2 * mm
        y = self._down(notice.what_to_do[1:], 13.5, y, gap=1.2) - 2 * mm
        y = self._heading(notice.headings.happened, y)
        y = self._down(notice.what_happened, 11, y, gap=1)
        y = self._heading(notice.headings.ends, y)
        y = self._down([notice.who_lifts, *notice.call], 12.5, y, bold=True, gap=1.5)
        y = self._heading(notice.headings.care, y)
        narrow = self.width - QR_SIDE - GUTTER if url else self.width
        y_text = self._down(notice.cautions, 9.5, y, gap=1, width=narrow)
        y_text = self._down([notice.headings.otherwise], 9.5, y_text - 3, bold=True, width=narrow)
        y_text = self._down(notice.alternatives, 9.5, y_text, gap=1, width=narrow)
        y_text = self._down([notice.boil_authority, notice.printed + "."], 8, y_text - 3, gap=1, width=narrow)
        y_side = y_text
        if url:
            right = self.left + narrow + GUTTER
            self.qr = (url, right, y - QR_SIDE)
            words = [notice.headings.page, url, notice.headings.plain, plain_url(url)]
            y_side = self._down(words, 8, y - QR_SIDE - 4, gap=1, width=QR_SIDE, left=right)
        else:
            y_text = self._down([notice.ask], 9.5, y_text - 3)
        self.bottom = min(y_text, y_side)

    def _heading(self, words: str, y: float) -> float:
        y -= 2.2 * mm
        self.rules.append(y)
        return self._down([words], 10, y - 1.2 * mm, bold=True)

    def _down(
        self, sentences: Iterable[str], size: float, y: float, *, bold: bool = False, ink: Color = black,
        gap: float = 0.0, inset: float = 0.0, width: float | None = None, left: float | None = None,
    ) -> float:
        """Add paragraphs from `y` down; how far they reach."""
        style = ParagraphStyle(
            "tap", fontName=BOLD if bold else REGULAR, fontSize=size * self.scale, textColor=ink,
            leading=1.22 * size * self.scale, splitLongWords=1)
        for one in sentences:
            part = Paragraph(escape(printable(one)), style)
            _, high = part.wrap((width or self.width) - 2 * inset, 1e6)
            y -= high
            self.parts.append((part, (left or self.left) + inset, y))
            y -= gap * mm * self.scale
        return y

    def draw(self, canvas: Canvas) -> None:
        """Put it on paper."""
        low, top = self.band
        canvas.setFillColor(black)
        canvas.rect(self.left, low, self.width, top - low, stroke=0, fill=1)
        canvas.setLineWidth(0.8)
        for y in self.rules:
            canvas.line(self.left, y, self.left + self.width, y)
        for part, left, bottom in self.parts:
            part.drawOn(canvas, left, bottom)
        if self.qr is not None:
            _draw_qr(canvas, *self.qr)


def _draw_qr(canvas: Canvas, url: str, left: float, bottom: float) -> None:
    """The code as squares of ink: sharp at any size."""
    code = QRCode(error_correction=ERROR_CORRECT_M, border=QR_QUIET_MODULES)
    code.add_data(url)
    code.make(fit=True)
    rows = code.get_matrix()
    side = QR_SIDE / len(rows)
    canvas.setFillColor(black)
    ink = canvas.beginPath()
    for y, row in enumerate(rows):
        for x, dark in enumerate(row):
            if dark:
                ink.rect(left + x * side, bottom + QR_SIDE - (y + 1) * side, side, side)
    canvas.drawPath(ink, stroke=0, fill=1)
