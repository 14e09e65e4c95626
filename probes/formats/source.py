"""Where readings come from: a path, standard input or an open stream, taken in within limits."""

import codecs
import sys
from collections.abc import Iterator
from dataclasses import dataclass, field
from pathlib import Path
from typing import IO, Any

from probes.errors import ReadError

__all__ = ["Source", "load"]

LONGEST_LINE = 1_000_000
"""Bytes. No layout of readings needs more; a longer line is not text that holds readings."""

LARGEST_SOURCE = 500_000_000
"""Bytes. Ten million touches fit; a source without an end must not eat the memory."""

_BLOCK = 1 << 20
_UTF16 = (codecs.BOM_UTF16_LE, codecs.BOM_UTF16_BE)
_ONE_LINE_STARTS = (b"{", b"<?xml", b"<VTKFile", b"PK\x03\x04", b"# vtk", b"ply")
"""How sources start that may hold everything in one line: JSON, XML, archives and meshes."""


@dataclass(frozen=True)
class Source:
    r"""A whole source and what to call it in messages.

    Attributes
    ----------
    name : str
        File name, or ``standard input``.
    data : bytes
        What it holds; line ends of text are ``\n``.
    encoding : str
        How to read it as text; empty if it is binary.
    memory : dict
        What one reader found out and the next can use; each under its own key.
    """

    name: str
    data: bytes
    encoding: str
    memory: dict[str, Any] = field(default_factory=dict, repr=False, compare=False)

    @property
    def is_text(self) -> bool:
        """Whether it can be read as text."""
        return bool(self.encoding)

    @property
    def is_one_object(self) -> bool:
        """Whether it starts like a JSON or XML object, so is no table and no log."""
        return self.data.lstrip()[:8].startswith((b"{", b"<?xml", b"<VTKFile"))

    def blocks(self) -> Iterator[tuple[int, str]]:
        """Yield pieces of the text that end with a line: number of the first line, and text.

        A large source is never decoded as a whole, which could take four times its size.
        """
        start, number = 0, 1
        while start < len(self.data):
            end = self.data.rfind(b"\n", start, start + _BLOCK) + 1
            if end <= start:
                end = self.data.find(b"\n", start + _BLOCK) + 1 or len(self.data)
            if start + _BLOCK >= len(self.data):
                end = len(self.data)
            piece = self.data[start:end]
            yield number, piece.decode(self.encoding, "replace")
            number += piece.count(b"\n")
            start = end

    def lines(self) -> Iterator[tuple[int, str]]:
        """Yield number (from 1) and text of every line, without its end."""
        for first, text in self.blocks():
            yield from enumerate(text.removesuffix("\n").split("\n"), first)

    def at(self, line: int) -> str:
        """Start a message about a line, counted from 1."""
        return f"{self.name} line {line}: "

    def line_of(self, position: int) -> int:
        """Give the number of the line that holds a byte."""
        return self.data.count(b"\n", 0, position) + 1


def load(source: str | Path | IO[Any]) -> Source:
    """Take in a whole source.

    Parameters
    ----------
    source : str, Path or stream
        A path, ``-`` for standard input, or a text or binary stream, which is left open.

    Returns
    -------
    Source
        What it holds.

    Raises
    ------
    ReadError
        If there is no such file, it is empty or too large, or a text has a line over
        `LONGEST_LINE`.
    """
    if isinstance(source, str | Path):
        if str(source) == "-":
            if sys.stdin is None:
                raise ReadError("standard input: is closed; name a file")
            return _take("standard input", sys.stdin.buffer)
        path = Path(source)
        try:
            with path.open("rb") as stream:
                return _take(path.name, stream)
        except FileNotFoundError:
            raise ReadError(f"{path}: there is no such file; check the name and folder") from None
        except IsADirectoryError:
            raise ReadError(f"{path}: is a folder; name a file with readings") from None
        except OSError as fault:
            raise ReadError(f"{path}: cannot be opened ({fault.strerror})") from None
        except ValueError:
            raise ReadError(f"{str(path)!r}: is no file name") from None
    name = getattr(source, "name", None)
    return _take(Path(name).name if isinstance(name, str) else "stream", source)


def _take(name: str, stream: IO[Any]) -> Source:
    blocks: list[bytes] = []
    size = since_line_end = 0
    binary = free = False
    decoder = codecs.getincrementaldecoder("utf-8")()
    encoding = "utf-8"
    while block := stream.read(_BLOCK):
        if isinstance(block, str):
            block = block.encode("utf-8", "replace")
        if not blocks:
            free = block.lstrip().startswith(_ONE_LINE_STARTS) or block.startswith(_UTF16)
        blocks.append(block)
        size += len(block)
        if size > LARGEST_SOURCE:
            raise ReadError(
                f"{name}: is over {LARGEST_SOURCE // 1_000_000} MB; cut out the readings first"
            )
        binary = binary or b"\0" in block
        if encoding == "utf-8":
            encoding = _still_utf8(decoder, block)
        last = max(block.rfind(b"\n"), block.rfind(b"\r"))
        since_line_end = len(block) - 1 - last if last >= 0 else since_line_end + len(block)
        if since_line_end > LONGEST_LINE and not (free or binary):
            number = sum(old.count(b"\n") for old in blocks) + 1
            raise ReadError(
                f"{name} line {number}: is over {LONGEST_LINE:,} characters long; "
                "put each reading, or each row of a matrix, on a line of its own"
            )
    data = b"".join(blocks)
    blocks.clear()
    if data.startswith(_UTF16):
        data, binary, encoding = data.decode("utf-16", "replace").encode(), False, "utf-8"
    if binary:
        return Source(name, data, "")
    data = data.removeprefix(codecs.BOM_UTF8)
    if b"\r" in data:
        data = data.replace(b"\r\n", b"\n").replace(b"\r", b"\n")
    if not data.strip():
        raise ReadError(f"{name}: is empty; it must hold probe readings")
    return Source(name, data, encoding)


def _still_utf8(decoder: codecs.IncrementalDecoder, block: bytes) -> str:
    """Tell whether the text can still be UTF-8; what cannot is of the Western single-byte page."""
    try:
        decoder.decode(block)
    except UnicodeDecodeError:
        return "cp1252"
    return "utf-8"
