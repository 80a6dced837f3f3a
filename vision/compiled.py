"""Loops over pixels as machine code: compiled when first called, and kept for the next start.

Numba looks for changes in a loop's own module alone, not in those whose loops and constants are compiled into it. So
what is kept lies in a folder that is named for all these sources, and goes when they change.
"""

from __future__ import annotations

import hashlib
import os
import re
import shutil
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import ParamSpec, TypeVar

from numba import config, njit
from numba.core import event

P = ParamSpec("P")
R = TypeVar("R")

# Sums may be taken in any order, a product and its sum be rounded once; what is not finite keeps its rules.
FAST = frozenset({"reassoc", "contract", "arcp", "nsz"})


def compiled(loop: Callable[P, R]) -> Callable[P, R]:
    """`loop` of arrays and numbers as machine code, on one core, without holding up other threads.

    A loop that calls it takes it in. Else it would bring a copy of its own, optimised once more and so summing in
    another order; which of all copies is then called depends on what the process compiled or loaded first.
    """
    made = njit(cache=True, nogil=True, fastmath=set(FAST), error_model="numpy", forceinline=True)
    fast: Callable[P, R] = made(loop)
    return fast


class Once(event.Listener):
    """Hears from Numba that a loop is compiled, for it is not kept from before, and says so the first time."""

    def __init__(self, say: Callable[[], object]) -> None:
        self._say, self._said = say, False

    def on_start(self, event: object) -> None:
        """A loop is about to be compiled."""
        if not self._said:
            self._said = True
            self._say()

    def on_end(self, event: object) -> None:
        """It is."""


@contextmanager
def told_when_compiling(say: Callable[[], object]) -> Iterator[None]:
    """Meanwhile `say` is called once, before the first loop that must be compiled; never where all are kept."""
    with event.install_listener("numba:compile", Once(say)):
        yield


def kept_in(package: Path) -> Path:
    """The folder for loops of these sources; where it cannot be written, Numba takes one of the user's own."""
    texts = {path.relative_to(package.parent): path.read_text(encoding="utf-8") for path in package.rglob("*.py")}
    looped = {path: text for path, text in texts.items() if f"from {__name__} import" in text}
    named = re.findall(r"^from (\S+) import", "\n".join(looped.values()), re.MULTILINE)
    used = {Path(*name.split(".")).with_suffix(".py") for name in named} & texts.keys()
    sources = "".join(texts[path] for path in sorted(used | looped.keys()))
    name = f"compiled-{hashlib.sha256(sources.encode()).hexdigest()[:16]}"
    folder = package / "__pycache__"
    for older in folder.glob("compiled-*"):
        if older.name != name:
            shutil.rmtree(older, ignore_errors=True)
    return folder / name


if "NUMBA_CACHE_DIR" not in os.environ:
    config.CACHE_DIR = str(kept_in(Path(__file__).parent))  # type: ignore[attr-defined]
