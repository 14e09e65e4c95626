"""Files that commands write: whole or not at all."""

import os
import tempfile
from pathlib import Path

from probes.errors import RequestError

__all__ = ["check_writable", "write_bytes", "write_text"]


def check_writable(path: Path) -> None:
    """Check that a file can be written where it is wanted.

    Raises
    ------
    RequestError
        If its folder does not exist or cannot be written to, or the path is a folder.
    """
    folder = path.parent
    if path.is_dir():
        raise RequestError(f"{path}: is a folder; name a file in it")
    if not folder.is_dir():
        raise RequestError(f"{path}: the folder {folder} does not exist; make it first")
    if not os.access(folder, os.W_OK):
        raise RequestError(f"{path}: the folder {folder} cannot be written to")


def write_text(path: Path, text: str) -> None:
    """Write a text file; an older one stays as it is until the new one is complete.

    Raises
    ------
    RequestError
        If it cannot be written.
    """
    write_bytes(path, text.encode())


def write_bytes(path: Path, data: bytes) -> None:
    """Write a file; an older one stays as it is until the new one is complete.

    Raises
    ------
    RequestError
        If it cannot be written.
    """
    check_writable(path)
    temporary = None
    try:
        with tempfile.NamedTemporaryFile(
            dir=path.parent, prefix=".planish-", delete=False
        ) as stream:
            temporary = Path(stream.name)
            stream.write(data)
        temporary.chmod(0o666 & ~_umask())
        temporary.replace(path)
    except OSError as fault:
        if temporary is not None:
            temporary.unlink(missing_ok=True)
        raise RequestError(f"{path}: cannot be written ({fault.strerror})") from None


def _umask() -> int:
    mask = os.umask(0)
    os.umask(mask)
    return mask
