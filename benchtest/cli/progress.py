"""Progress on standard error: a bar on a terminal, nothing elsewhere."""

from __future__ import annotations

import contextlib
import sys
from collections.abc import Callable, Iterator


@contextlib.contextmanager
def progress(what: str, total: int) -> Iterator[Callable[[], None]]:
    """Gives a function to be called after each of ``total`` steps."""
    if not sys.stderr.isatty():
        yield lambda: None
        return
    from rich.console import Console
    from rich.progress import BarColumn, MofNCompleteColumn, Progress, TextColumn, TimeRemainingColumn

    columns = (TextColumn("{task.description}"), BarColumn(bar_width=30), MofNCompleteColumn(), TimeRemainingColumn())
    with Progress(*columns, console=Console(stderr=True), transient=True) as bar:
        task = bar.add_task(what, total=total)
        yield lambda: bar.advance(task)
