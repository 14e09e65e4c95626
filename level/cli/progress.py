"""Progress of long work on standard error, where that is a terminal."""

import sys
import time
from types import TracebackType
from typing import TYPE_CHECKING, Self

if TYPE_CHECKING:
    from rich.progress import Progress as Bar
    from rich.progress import TaskID

__all__ = ["Progress"]

_PATIENCE_S = 0.5
"""Work that is done sooner shows nothing."""


class Progress:
    """A bar for each piece of work that takes long; nothing without a terminal."""

    def __init__(self) -> None:
        self._started = time.monotonic()
        self._bar: Bar | None = None
        self._tasks: dict[str, TaskID] = {}

    def __enter__(self) -> Self:
        return self

    def __exit__(
        self,
        kind: type[BaseException] | None,
        fault: BaseException | None,
        trace: TracebackType | None,
    ) -> None:
        if self._bar is not None:
            self._bar.stop()

    def show(self, what: str, done: float) -> None:
        """Show that a piece of work is done by this share, 0 to 1."""
        late = time.monotonic() - self._started >= _PATIENCE_S
        if not (sys.stderr.isatty() and (late or self._bar)):
            return
        if self._bar is None:
            from rich.console import Console
            from rich.progress import Progress as Bar

            self._bar = Bar(console=Console(stderr=True), transient=True)
            self._bar.start()
        if what not in self._tasks:
            self._tasks[what] = self._bar.add_task(what, total=1.0)
        self._bar.update(self._tasks[what], completed=done)
