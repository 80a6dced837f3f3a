"""Many photographs, each a lot of a pile: measured on all cores or by a cluster, in the order given, at flat memory.

However many workers there are and whichever is done first, what comes out is the same. Only so many photographs are
under way at a time as keep the workers busy.
"""

from __future__ import annotations

import multiprocessing
import os
import signal
import threading
from collections import deque
from collections.abc import Callable, Iterable, Iterator, Sequence
from concurrent.futures import CancelledError, ProcessPoolExecutor
from concurrent.futures.process import BrokenProcessPool
from contextlib import contextmanager
from dataclasses import dataclass
from pathlib import Path
from typing import Any, Protocol

import cv2

from projector.checking import Checker, CheckError
from projector.guide.pile.present import several_told
from projector.telling.events import Event, unit_event
from vision.comparing.expected import ExpectedShape
from vision.frames.pictures import PictureError
from vision.units import Judged, Verdict
from vision.warming import keep_memory

NOT_A_UNIT = (None, Verdict.LOOK_AGAIN)
AHEAD = 32  # photographs under way for each worker: others go on while one takes long, and what waits is small
THREADS = ("OMP_NUM_THREADS", "OPENBLAS_NUM_THREADS", "MKL_NUM_THREADS", "NUMBA_NUM_THREADS")


class LotsError(Exception):
    """The photographs cannot be handed out; the message says in one line what to do."""


@dataclass(frozen=True, eq=False, slots=True)
class Lot:
    """One photograph: a `unit` event of each unit in it, a `refused` one of what does not count."""

    name: str
    events: tuple[Event, ...]

    @property
    def units(self) -> tuple[Event, ...]:
        return tuple(event for event in self.events if event["event"] == "unit")

    @property
    def measured(self) -> bool:
        """Whether it could be: it was a picture, and of the right size."""
        return not any(event.get("what") == "picture" for event in self.events)


class _Future(Protocol):
    def result(self) -> Lot: ...


Submit = Callable[[Path], _Future]


def measured_lots(paths: Sequence[Path], checker: Checker, workers: int) -> Iterator[Lot]:
    """Measure photographs by so many processes of this computer; with one, in this very process. Raises LotsError."""
    keep_memory()
    # The first one here: what is compiled for it is kept, and so it is not compiled in every process.
    here = 1 if workers > 1 else len(paths)
    yield from (lot_of(checker, path) for path in paths[:here])
    if here >= len(paths):
        return
    spawn = multiprocessing.get_context("spawn")  # a fork would copy threads of OpenCV and SDL that are not there
    with _one_thread_each(), ProcessPoolExecutor(workers, spawn, _keep, (checker,)) as pool:
        try:
            yield from _in_order(paths[here:], lambda path: pool.submit(_lot_here, path), AHEAD * workers)
        except BrokenProcessPool:
            raise LotsError(
                "a process that measures was ended from outside, for want of memory perhaps; "
                "go on with --resume and fewer --workers"
            ) from None
        finally:
            pool.shutdown(cancel_futures=True)


def lots_by_cluster(paths: Sequence[Path], checker: Checker, scheduler: str) -> Iterator[Lot]:
    """The same by the workers of a dask.distributed scheduler, which see the files under the same names.

    Raises LotsError.
    """
    with _client(scheduler) as client:
        workers = sum(client.nthreads().values())
        if not workers:
            raise LotsError(f"{scheduler}: this cluster has no workers; start some, like: dask worker {scheduler}")
        known = client.scatter(checker, broadcast=True, hash=False)

        def submit(path: Path) -> _Future:
            future: _Future = client.submit(lot_of, known, path, pure=False)
            return future

        yield from _in_order(paths, submit, AHEAD * workers)


def lot_of(checker: Checker, path: Path) -> Lot:
    """Measure one photograph. One that is no picture, or of another size, is said to be so, and stops nothing.

    The first of the checker's expected shapes names the units.
    """
    name, expected = str(path), next(one for one in checker.expected if isinstance(one, ExpectedShape))
    try:
        return Lot(name, tuple(_event(judged, expected, name) for judged in checker.checked(path).units))
    except (CheckError, PictureError) as error:
        what, _, do = str(error).rpartition("; ")
        return Lot(
            name, ({"event": "refused", "what": "picture", "frame": name, "why": what or "unreadable", "do": do},)
        )


def _event(judged: Judged, expected: ExpectedShape, name: str) -> Event:
    """What is not to be judged as it lies is refused and does not count."""
    judged = several_told(judged, expected)
    if judged.verdict in NOT_A_UNIT:
        why = judged.unit.trouble or "look_again"
        return {"event": "refused", "what": "unit", "frame": name, "why": why, "do": judged.why}
    return unit_event(judged, name) | {"name": expected.name}


def _in_order(paths: Iterable[Path], submit: Submit, most: int) -> Iterator[Lot]:
    """Results in the order of the paths, never more than so many under way."""
    under_way: deque[_Future] = deque()
    for path in paths:
        under_way.append(submit(path))
        if len(under_way) >= most:
            yield under_way.popleft().result()
    while under_way:
        yield under_way.popleft().result()


_kept: list[Checker] = []  # a process of the pool is told once what all its photographs have in common


def _keep(checker: Checker) -> None:
    """Begin a process of the pool: it works with one thread, as there is one process a core, and ends with its parent.

    Ctrl-C is its parent's business, and a parent that is killed says nothing to anybody.
    """
    signal.signal(signal.SIGINT, signal.SIG_IGN)
    cv2.setNumThreads(1)
    keep_memory()
    threading.Thread(target=_end_with_parent, daemon=True).start()
    _kept[:] = [checker]


def _end_with_parent() -> None:
    parent = multiprocessing.parent_process()
    if parent is not None:
        parent.join()
        os._exit(1)


@contextmanager
def _one_thread_each() -> Iterator[None]:
    """Processes that are begun meanwhile load their libraries of linear algebra with one thread."""
    before = {name: os.environ.get(name) for name in THREADS}
    os.environ.update(dict.fromkeys(THREADS, "1"))
    try:
        yield
    finally:
        for name, value in before.items():
            if value is None:
                os.environ.pop(name, None)
            else:
                os.environ[name] = value


def _lot_here(path: Path) -> Lot:
    return lot_of(_kept[0], path)


@contextmanager
def _client(scheduler: str) -> Iterator[Any]:
    try:
        import distributed
    except ImportError:
        raise LotsError("the dask library is missing; install it with: pip install 'chalkbeam[cluster]'") from None
    library: Any = distributed
    try:
        client = library.Client(scheduler, timeout="10s", set_as_default=False)
    except (OSError, ValueError) as error:
        raise LotsError(
            f"{scheduler}: no scheduler answers ({error}); start one with: dask scheduler, and give its address"
        ) from None
    try:
        yield client
    except (OSError, CancelledError, library.KilledWorker) as error:
        raise LotsError(f"{scheduler}: this cluster fails ({error}); mend it, then go on with --resume") from None
    finally:
        client.close()
