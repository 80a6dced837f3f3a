"""A fault of the program itself: one line for the person at the table, and a file for whoever mends it."""

from __future__ import annotations

import platform
import traceback
from collections.abc import Sequence
from contextlib import suppress
from datetime import datetime
from pathlib import Path

from projector.files.wholefile import write_whole
from projector.files.writable import folders

NAME = "chalkbeam-fault-{:%Y%m%d-%H%M%S}.txt"


def fault_line(error: Exception, words: Sequence[str], at: datetime) -> str:
    """One line on an unforeseen `error` of the command line `words`; where it came from is kept in a file it names."""
    steps = traceback.extract_tb(error.__traceback__)
    where = f" ({Path(steps[-1].filename).name}, line {steps[-1].lineno})" if steps else ""
    kept = _kept(error, words, at)
    shown = f"show {kept} to" if kept is not None else "tell"
    return (
        f"a fault of the program itself: {type(error).__name__}{where}; what was judged is in the records, begin again "
        f"with the same command, and {shown} whoever looks after chalkbeam"
    )


def _kept(error: Exception, words: Sequence[str], at: datetime) -> Path | None:
    head = f"chalkbeam {' '.join(words)}\n{platform.platform()}, Python {platform.python_version()}\n\n"
    text = head + "".join(traceback.format_exception(error))
    for folder in folders():
        path = folder / NAME.format(at)
        with suppress(OSError):
            write_whole(path, text)
            return path
    return None
