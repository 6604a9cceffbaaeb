"""A text file in blocks of whole lines, whatever its encoding, and which of the lines may hold a row."""

from __future__ import annotations

import codecs
import csv
from collections.abc import Iterator
from dataclasses import dataclass
from typing import IO

import numpy as np
import numpy.typing as npt

from ingest.wire.csv_shape import Shape

PAYLOAD_SHOWN = 2000  # of a refused line
Ints = npt.NDArray[np.int64]


def blocks(file: IO[bytes], encoding: str, block_bytes: int) -> Iterator[bytes]:
    """The file as blocks of whole lines in UTF-8; what is no text in its encoding becomes a mark that says so."""
    if encoding == "utf-8":
        while block := file.read(block_bytes) + file.readline():
            yield block
        return
    decoder, rest = codecs.getincrementaldecoder(encoding)(errors="replace"), b""
    while block := file.read(block_bytes):
        text = rest + decoder.decode(block).encode()
        end = text.rfind(b"\n") + 1
        rest = text[end:]
        if end:
            yield text[:end]
    if rest := rest + decoder.decode(b"", final=True).encode():
        yield rest


def skip_lines(found: Iterator[bytes], lines: int) -> Iterator[bytes]:
    """The same blocks without the first lines."""
    for block in found:
        while lines and block:
            end = block.find(b"\n") + 1 or len(block)
            block, lines = block[end:], lines - 1
        if block:
            yield block


def cells_of(line: str, delimiter: str) -> list[str]:
    """The cells of one line; csv.Error where its quotes cannot be read."""
    return next(csv.reader([line], delimiter=delimiter, strict=True), [])


@dataclass(frozen=True, slots=True)
class Lines:
    """A block of whole lines: those that may hold a row, and what is wrong with the others."""

    good: bytes
    number: Ints  # line of each good one
    refused: list[tuple[int, str, str]]
    starts: Ints
    block: bytes
    first: int

    @property
    def after(self) -> int:
        """Line that follows the block."""
        return self.first + self.starts.size

    def payload(self, line: int) -> str:
        """A line as it stands in the file, cut."""
        start = int(self.starts[line - self.first])
        return self.block[start : self.block.find(b"\n", start)][:PAYLOAD_SHOWN].decode("utf-8", "replace").strip()


def lines_of(block: bytes, first: int, cells: int, shape: Shape) -> Lines:
    """Cut a block into lines and count the cells of each."""
    if not block.endswith(b"\n"):
        block += b"\n"
    text = np.frombuffer(block, np.uint8)
    ends = np.flatnonzero(text == ord("\n"))
    starts = np.append(0, ends[:-1] + 1)
    between = text == ord(shape.delimiter)
    found = 1 + np.add.reduceat(between, starts, dtype=np.int64)
    printed = np.add.reduceat((text > ord(" ")) | between, starts, dtype=np.int64)
    reasons: dict[int, str] = {}
    for at in np.flatnonzero(np.add.reduceat(text == ord('"'), starts, dtype=np.int64)):  # few, if any
        try:
            line = block[starts[at] : ends[at]].decode("utf-8", "replace").rstrip("\r")
            found[at] = len(cells_of(line, shape.delimiter))
        except csv.Error as error:
            found[at] = cells
            reasons[int(at)] = f"its quotes cannot be read ({error}); a cell must not hold a line break"
    for at in np.flatnonzero(np.add.reduceat(text == 0, starts, dtype=np.int64)):
        reasons[int(at)] = "it holds a zero byte"
    blank = printed == 0
    for at in np.flatnonzero((found != cells) & ~blank):
        reasons.setdefault(int(at), f"{found[at]} cells where the header has {cells}")
    good = ~blank
    good[list(reasons)] = False
    lines = Lines(
        text[np.repeat(good, ends - starts + 1)].tobytes(), first + np.flatnonzero(good), [], starts, block,
        first)
    lines.refused.extend((first + at, lines.payload(first + at), reasons[at]) for at in sorted(reasons))
    return lines
