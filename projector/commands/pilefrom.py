"""`chalkbeam pile --from`: a pile in photographs, each a lot, or in a video or a stream of it being fed."""

from __future__ import annotations

import argparse
import os
import sys
from collections.abc import Iterator, Sequence
from contextlib import contextmanager, nullcontext
from dataclasses import replace
from datetime import datetime
from pathlib import Path
from typing import Any

import numpy as np
from numpy.typing import NDArray
from rich.console import Console
from rich.progress import BarColumn, MofNCompleteColumn, Progress, TextColumn, TimeRemainingColumn

from calibration.rig import Rig
from projector.bench import Bench
from projector.checking import Checker
from projector.clock import Clock
from projector.commands.options import CLOTH_U_MM, OptionError, files, whole
from projector.events import Event, Teller, unit_event
from projector.goingon import verdicts_of
from projector.guide.present import several_told
from projector.guide.sitting import USUAL
from projector.lots import Lot, lots_by_cluster, measured_lots
from projector.piling import pile
from projector.records.journal import Journal
from projector.records.sessions import Entry
from projector.seeing.beside import AtOnce, InThread
from projector.table import Table
from projector.totals import session_keys
from vision.cameras import PICTURE_ENDINGS, STREAMS, open_camera, pictures_in
from vision.expected import ExpectedShape
from vision.measure import Cloth
from vision.units import Verdict

NOT_A_UNIT = (None, Verdict.LOOK_AGAIN)


def add_from(parser: argparse.ArgumentParser) -> None:
    """The options of a pile that is not at the table now."""
    group = parser.add_argument_group("a pile in pictures")
    group.add_argument(
        "--from",
        dest="source",
        nargs="+",
        metavar="SOURCE",
        help="measure photographs instead, each a lot of the pile (a folder, files or patterns), or a pile that is fed "
        "in a video or a stream, which begins with the bare mat",
    )
    group.add_argument(
        "--empty", action="append", default=[], metavar="FILE", help="picture of the bare mat; repeatable"
    )
    group.add_argument("--workers", type=whole(1), default=cores(), metavar="N", help="processes (all cores)")
    group.add_argument("--scheduler", metavar="ADDRESS", help="a dask.distributed scheduler whose workers measure")


def cores() -> int:
    """How many processors this process may use."""
    return len(os.sched_getaffinity(0)) if hasattr(os, "sched_getaffinity") else os.cpu_count() or 1


def stills_of(sources: Sequence[str]) -> list[Path]:
    """The photographs that folders, files and patterns name, in that order. Raises OptionError, CameraError."""
    found: list[Path] = []
    for source in sources:
        found += pictures_in(Path(source)) if Path(source).is_dir() else files([source])
    others = [path for path in found if path.suffix.lower() not in PICTURE_ENDINGS]
    if others:
        raise OptionError(f"{others[0]}: no photograph; give .jpg, .png or .tif files")
    return found


def is_film(sources: Sequence[str]) -> bool:
    """Whether a video, an address or a numbered sequence was named, and nothing else."""
    if len(sources) != 1:
        return False
    (source,) = sources
    film = Path(source).is_file() and Path(source).suffix.lower() not in PICTURE_ENDINGS
    return film or source.startswith(STREAMS) or "%" in source


def judge_film(
    args: argparse.Namespace,
    rig: Rig,
    expected: ExpectedShape,
    journal: Journal,
    session: int,
    earlier: Sequence[Entry],
    teller: Teller,
    clock: Clock,
) -> int:
    """Judge the pile that is fed in a video or a stream, as at the table but without light. Raises CameraError.

    Of a recording no frame is passed over while a lot is measured; of a stream those that come meanwhile are.
    """
    camera = open_camera(args.source[0], clock)
    live = args.source[0].startswith(STREAMS)
    unlit = replace(rig, projector=None, mat_over_paper=None)
    try:
        table = Table(camera, NoLight(), clock, teller)
        table.latency_s, table.has_light = 0.0, False
        with InThread() if live else nullcontext(AtOnce()) as worker:
            bench = Bench(table, unlit, journal, session, Cloth(args.cloth, CLOTH_U_MM), worker=worker)
            piled = pile(bench, expected, USUAL, args.count, verdicts_of(earlier))
    finally:
        camera.close()
    journal.end(session, datetime.now().astimezone())
    teller.tell("summary", **session_keys(journal, session, piled.units))
    return 0


class NoLight:
    """A display where there is none; nobody presses a key."""

    size_px = (16, 9)

    def show(self, picture: NDArray[np.uint8]) -> None:
        """Nothing is shown."""

    def keys(self) -> list[str]:
        return []

    def close(self) -> None:
        """Nothing to give back."""


def measure_stills(
    args: argparse.Namespace,
    rig: Rig,
    expected: ExpectedShape,
    journal: Journal,
    session: int,
    earlier: Sequence[Entry],
    teller: Teller,
) -> int:
    """Measure every photograph that is not in the records yet; the exit code is 1 where one could not be measured."""
    checker = Checker.of(rig, [expected], files(args.empty), Cloth(args.cloth, CLOTH_U_MM))
    done = _done(earlier, journal, session)
    paths = [path for path in stills_of(args.source) if str(path) not in done]
    if args.scheduler is None:
        lots = measured_lots(paths, checker, min(args.workers, max(len(paths), 1)))
    else:
        lots = lots_by_cluster(paths, checker, args.scheduler)
    faulty = 0
    with _bar(len(paths)) as advance:
        for lot in lots:
            faulty += bool(lot.trouble)
            for event in _events(lot, expected):
                if event["event"] == "unit":
                    journal.keep(session, event, datetime.now().astimezone())
                teller.pass_on(event)
            advance()
    journal.end(session, datetime.now().astimezone())
    teller.tell("summary", **session_keys(journal, session, ()), pictures=len(paths), not_measured=faulty)
    return 1 if faulty else 0


def _done(earlier: Sequence[Entry], journal: Journal, session: int) -> set[str]:
    """The photographs that were measured before; the last may have been left halfway, so it is taken back."""
    frames = [str(entry.event().get("frame")) for entry in earlier]
    for entry, frame in zip(earlier, frames, strict=True):
        if frame == frames[-1]:
            journal.undo(session, entry.n, datetime.now().astimezone())
    return set(frames) - set(frames[-1:])


def _events(lot: Lot, expected: ExpectedShape) -> Iterator[Event]:
    """A unit each; what is not to be judged as it lies is refused and does not count."""
    if lot.trouble:
        what, _, do = lot.trouble.rpartition("; ")
        yield {"event": "refused", "what": "picture", "frame": lot.name, "why": what or "unreadable", "do": do}
    for judged in lot.units:
        judged = several_told(judged, expected)
        if judged.verdict in NOT_A_UNIT:
            why = judged.unit.trouble or "look_again"
            yield {"event": "refused", "what": "unit", "frame": lot.name, "why": why, "do": judged.why}
        else:
            yield unit_event(judged, lot.name) | {"name": expected.name}


@contextmanager
def _bar(total: int) -> Iterator[Any]:
    """A bar on standard error, quiet where that is no terminal."""
    columns = TextColumn("{task.description}"), BarColumn(), MofNCompleteColumn(), TimeRemainingColumn()
    with Progress(*columns, console=Console(stderr=True), disable=not sys.stderr.isatty(), transient=True) as progress:
        task = progress.add_task("pictures", total=total)
        yield lambda: progress.advance(task)
