"""Where text comes from: a path, standard input or an open stream, decoded and within limits."""

import io
import sys
from dataclasses import dataclass
from functools import cached_property
from pathlib import Path
from typing import IO, Any

from probes.errors import ReadError

__all__ = ["Source", "load"]

LONGEST_LINE = 1_000_000
"""Bytes. No layout of readings needs more; a longer line is not text that holds readings."""

LARGEST_SOURCE = 500_000_000
"""Bytes. Ten million touches fit; a source without an end must not eat the memory."""

_CHUNK = 1 << 20


@dataclass(frozen=True)
class Source:
    r"""A whole text and what to call it in messages.

    Attributes
    ----------
    name : str
        File name, or ``standard input``.
    text : str
        The decoded text, line ends as ``\n``.
    """

    name: str
    text: str

    @cached_property
    def lines(self) -> list[str]:
        """The text's lines, without their ends."""
        return self.text.split("\n")

    def at(self, line: int) -> str:
        """Start a message about a line, counted from 1."""
        return f"{self.name} line {line}: "


def load(source: str | Path | IO[Any]) -> Source:
    """Take in a whole text.

    Parameters
    ----------
    source : str, Path or stream
        A path, ``-`` for standard input, or a text or binary stream, which is left open.

    Returns
    -------
    Source
        The text.

    Raises
    ------
    ReadError
        If there is no such file, it is empty, binary, too large, or has a line over
        `LONGEST_LINE`.
    """
    if isinstance(source, str | Path):
        if str(source) == "-":
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
    name = getattr(source, "name", None)
    return _take(Path(name).name if isinstance(name, str) else "stream", source)


def _take(name: str, stream: IO[Any]) -> Source:
    blocks: list[bytes] = []
    size = since_line_end = 0
    while block := stream.read(_CHUNK):
        if isinstance(block, str):
            block = block.encode("utf-8", "surrogateescape")
        if b"\0" in block and not _utf16(blocks[0] if blocks else block):
            raise ReadError(
                f"{name}: is a binary file, not text with readings; save the readings as text"
            )
        size += len(block)
        if size > LARGEST_SOURCE:
            raise ReadError(
                f"{name}: is over {LARGEST_SOURCE // 1_000_000} MB; cut out the readings first"
            )
        last = max(block.rfind(b"\n"), block.rfind(b"\r"))
        since_line_end = len(block) - 1 - last if last >= 0 else since_line_end + len(block)
        if since_line_end > LONGEST_LINE:
            count = sum(old.count(b"\n") for old in blocks) + block.count(b"\n") + 1
            raise ReadError(
                f"{name} line {count}: is over {LONGEST_LINE:,} characters long; "
                "put each reading, or each row of a matrix, on a line of its own"
            )
        blocks.append(block)
    text = _decode(b"".join(blocks))
    if not text.strip():
        raise ReadError(f"{name}: is empty; it must hold probe readings")
    return Source(name, io.StringIO(text, newline=None).read())


def _utf16(start: bytes) -> bool:
    return start[:2] in (b"\xff\xfe", b"\xfe\xff")


def _decode(data: bytes) -> str:
    """Decode as UTF-16 if it is so marked, else UTF-8, else the Western single-byte page."""
    if _utf16(data):
        return data.decode("utf-16", "replace")
    try:
        return data.decode("utf-8-sig")
    except UnicodeDecodeError:
        return data.decode("cp1252", "replace")
