"""The beginning of a file: its encoding, its delimiter, and on which line its columns are named.

Found by kept libraries (charset-normalizer, DuckDB's sniffer). An encoding of eight bits cannot be told from its
like by its bytes: what fits is named, and the choice asked for.
"""

from __future__ import annotations

import codecs
import re
import tempfile
from dataclasses import dataclass
from pathlib import Path

import charset_normalizer
import duckdb

from ingest.settings import BadInput
from ingest.wire.csv_shape import DELIMITERS, ENCODINGS

HEAD_BYTES = 256 * 1024
FEWER_LINES = (200, 50, 20)
_BEFORE = {codecs.BOM_UTF8: "utf-8", codecs.BOM_UTF16_LE: "utf-16", codecs.BOM_UTF16_BE: "utf-16"}
_WIDE = ("utf-16", "utf-16-le", "utf-16-be")
_NO_NAME = re.compile(r"^[\d\s.,:;/+\-]+$|^\d.*\d[:/.\-]\d")  # a number, a date or a time names no column
_SNIFFED = """
    SELECT Delimiter, SkipRows, len(Columns)
    FROM sniff_csv($file, all_varchar = true, ignore_errors = $torn)
"""
_SNIFFED_AS_TOLD = _SNIFFED.replace("$torn", "$torn, delim = $delim")


@dataclass(frozen=True, slots=True)
class Found:
    """What was found, on what evidence; `asked` is what has to be told where it could not be."""

    value: str = ""
    how: str = ""
    asked: str = ""


def head_of(path: Path) -> bytes:
    """Whole lines from the file's start; a line that is longer than all of that is cut."""
    with path.open("rb") as file:
        head = file.read(HEAD_BYTES)
        if len(head) < HEAD_BYTES:
            return head
    return head[: head.rfind(b"\n") + 1] or head


def encoding_of(head: bytes, told: str | None, where: str) -> Found:
    """The file's encoding; what is told is refused where the bytes speak against it."""
    mark = next((name for before, name in _BEFORE.items() if head.startswith(before)), "")
    zeros = head.count(0)
    utf8 = _is_utf8(head)
    if told:
        if wrong := _against(head, told, mark):
            raise BadInput(f"{where}: it is not in {told}: {wrong}")
        return Found("utf-16" if mark == "utf-16" else told, "as told")
    if mark:
        return Found(mark, "by its byte order mark")
    if zeros:
        name = "utf-16-le" if head[1::2].count(0) >= head[0::2].count(0) else "utf-16-be"
        return Found(asked=f"its encoding: it has zero bytes and no byte order mark; likely --encoding {name}")
    if utf8:
        return Found("utf-8", "all of its start is ASCII" if head.isascii() else "its start is valid UTF-8")
    eight = [one for one in ENCODINGS if not one.startswith("utf")]
    found = charset_normalizer.from_bytes(head, cp_isolation=[codecs.lookup(one).name for one in eight])
    letters = next(line for line in head.splitlines() if not line.isascii())[:200]
    likely = [one for one in eight if any(
        codecs.lookup(match.encoding).name == codecs.lookup(one).name
        or codecs.lookup(one).name in {codecs.lookup(also).name for also in match.could_be_from_charset}
        for match in found)] or eight
    readings: dict[str, list[str]] = {}
    for one in likely:
        readings.setdefault(letters.decode(one, "replace").strip(), []).append(one)
    read = "; ".join(f"--encoding {' or '.join(names)} if it reads {text!r}" for text, names in readings.items())
    return Found(asked=f"its encoding, which is not UTF-8: {read}")


def _is_utf8(head: bytes) -> bool:
    try:
        # of a cut last character the decoder waits for the rest
        codecs.getincrementaldecoder("utf-8")().decode(head)
    except UnicodeDecodeError:
        return False
    return True


def _against(head: bytes, told: str, mark: str) -> str:
    """What in the bytes speaks against an encoding that was told; "" where nothing does."""
    if mark == "utf-16":
        return "" if told in _WIDE else "it has the byte order mark of utf-16"
    if told == "utf-16":
        return "it has no byte order mark" + ("" if 0 not in head else ": say utf-16-le or utf-16-be")
    if told in _WIDE:
        low, high = head[1::2].count(0), head[0::2].count(0)
        if not low + high:
            return "it has no zero byte, as every comma of utf-16 has"
        return "" if (low > high) == (told == "utf-16-le") else "its zero bytes are of the other byte order"
    if 0 in head:
        return "it has zero bytes, as utf-16 has"
    if told == "utf-8":
        return "" if _is_utf8(head) else "it has bytes that are none of its characters"
    return "it is valid utf-8, letters beyond ASCII and all" if not head.isascii() and _is_utf8(head) else ""


def delimiter_of(lines: list[str], told: str | None, header_row: int | None) -> tuple[Found, Found]:
    """The delimiter, and the line that names the columns."""
    start = (header_row or 1) - 1
    row_asked = "the line that names the columns: --header-row" + (", or another --delimiter" if told else "")
    # a torn line among many hides the table that the first few show
    tries = [(many, False) for many in (len(lines), *FEWER_LINES)] + [(len(lines), True)]
    sniffings = (_sniffed("\n".join(lines[start : start + many]), told, torn=torn) for many, torn in tries)
    sniffed = next((one for one in sniffings if one is not None), None)
    if sniffed is None:
        asked = "" if told else f"its delimiter: --delimiter with one of {', '.join(DELIMITERS)}"
        row = Found(str(header_row), "as told") if header_row else Found(asked=row_asked)
        return (Found(told, "as told") if told else Found(asked=asked)), row
    delimiter, skipped = sniffed
    between = Found(delimiter, "as told" if told else "found by its lines")
    if header_row:
        return between, Found(str(header_row), "as told")
    names = lines[skipped].split(delimiter) if skipped < len(lines) else []
    if len(names) < 2 or no_name(names):
        return between, Found(asked=row_asked)
    how = f"{skipped} lines above it hold no row" if skipped else "the first line"
    return between, Found(str(skipped + 1), how)


def no_name(cells: list[str]) -> str:
    """The first of the cells that is a number, a date or a time, and so names no column; "" where none is."""
    return next((cell for cell in cells if _NO_NAME.match(cell.strip(' "'))), "")


def _sniffed(text: str, delimiter: str | None, *, torn: bool) -> tuple[str, int] | None:
    """Delimiter and lines to skip, as DuckDB sees them, or passing over torn lines; None where it sees no table."""
    with tempfile.NamedTemporaryFile(suffix=".csv") as file, duckdb.connect() as con:
        Path(file.name).write_text(text, encoding="utf-8")
        given = {"file": file.name, "torn": torn} | ({"delim": delimiter} if delimiter else {})
        try:
            found = con.execute(_SNIFFED_AS_TOLD if delimiter else _SNIFFED, given).fetchone()
        except duckdb.Error:
            return None
    if found is None or found[2] < 2 or (delimiter is None and found[0] not in DELIMITERS.values()):
        return None
    return str(delimiter or found[0]), int(found[1])
