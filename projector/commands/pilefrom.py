"""`chalkbeam pile --from`: a pile in photographs, each a lot, or in a video or a stream of it being fed."""

from __future__ import annotations

import argparse
import os
import sys
from collections.abc import Callable, Iterator, Sequence
from contextlib import contextmanager, nullcontext
from dataclasses import dataclass, replace
from datetime import datetime
from pathlib import Path

from rich.console import Console
from rich.progress import BarColumn, MofNCompleteColumn, Progress, TextColumn, TimeRemainingColumn

from calibration.rig import Rig
from projector.checking import Checker
from projector.commands.options import InterruptedByPerson, OptionError, cloth_of, files, whole
from projector.guide.sitting import USUAL
from projector.piles.filmed import Again, FilmTime, NoLight, Watched
from projector.piles.lots import Lot, lots_by_cluster, measured_lots
from projector.piles.piling import pile
from projector.piles.samplewish import Sample
from projector.piles.tally import Tally
from projector.records.journal import Journal
from projector.records.sessions import Entry, standing_units
from projector.seeing.beside import AtOnce, InThread
from projector.table.bench import Bench
from projector.table.clock import WallClock
from projector.table.devices import Table
from projector.table.goingon import verdicts_of
from projector.telling.events import Teller
from projector.telling.totals import session_keys
from vision.comparing.expected import ExpectedShape
from vision.frames.cameras import PICTURE_ENDINGS, STREAMS, Recording, open_camera, pictures_in

TOGETHER_S = 0.5  # what is measured meanwhile is kept in one: the disk is waited for twice a second at most


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
    """The photographs that folders, files and patterns name, in order, each once. Raises OptionError, CameraError."""
    found: list[Path] = []
    for source in sources:
        found += pictures_in(Path(source)) if Path(source).is_dir() else files([source])
    others = [path for path in found if path.suffix.lower() not in PICTURE_ENDINGS]
    if others:
        raise OptionError(f"{others[0]}: no photograph; give .jpg, .png or .tif files")
    once = dict[Path, Path]()
    for path in found:
        once.setdefault(path.resolve(), path)
    return list(once.values())


def is_live(source: str) -> bool:
    """Whether it is an address or a camera, of which what passes unseen is gone."""
    return source.startswith((*STREAMS, "/dev/")) or (source.isdecimal() and not Path(source).exists())


def is_film(sources: Sequence[str]) -> bool:
    """Whether a video, an address, a camera or a numbered sequence was named, and nothing else."""
    if len(sources) != 1:
        return False
    (source,) = sources
    film = Path(source).is_file() and Path(source).suffix.lower() not in PICTURE_ENDINGS
    return film or is_live(source) or "%" in source


@dataclass(frozen=True, eq=False, slots=True)
class Pictured:
    """A pile in pictures, and who hears of it."""

    text: str  # its plan, unit and sources: by it a session that was left is known again
    expected: ExpectedShape
    sample: Sample | None
    rig: Rig
    journal: Journal
    teller: Teller


def judge_pictures(args: argparse.Namespace, wished: Pictured) -> int:
    """Judge the pile as it was photographed or filmed; the exit code.

    What was left is gone on with if --resume says so. Raises CameraError, CheckError, LotsError, OptionError,
    PictureError, RecordsError.
    """
    journal, teller = wished.journal, wished.teller
    left = None if args.anew else journal.unfinished(wished.text, "pile")
    earlier: Sequence[Entry] = () if left is None else journal.records.entries(left.id)
    standing = len(standing_units(earlier))
    if args.resume and not earlier:
        teller.tell("refused", what="resume", why="nothing_left", do="a new session of this is begun")
    elif args.resume:
        teller.tell("seen", what="unfinished_session", units=standing)
    elif earlier:
        teller.tell("seen", what="unfinished_session", units=standing, do="--resume goes on with it")
    if left is None or not args.resume:
        now = datetime.now().astimezone()
        session, earlier = journal.begin(now, "pile", wished.text, str(args.rig)), ()
    else:
        session = left.id
    judge = _judge_film if is_film(args.source) else _measure_stills
    try:
        return judge(args, wished, session, earlier)
    except KeyboardInterrupt:
        units = session_keys(journal, session, ())["units"]
        raise InterruptedByPerson(
            f"interrupted; {units} units are judged and kept, the same command with --resume goes on"
        ) from None


def _judge_film(args: argparse.Namespace, wished: Pictured, session: int, earlier: Sequence[Entry]) -> int:
    """The pile that is fed in a video or a stream, as at the table but without light.

    Of a recording no frame is passed over while a lot is measured, and it is seen again from its beginning; of what is
    live those that come meanwhile are, and units judged before are not seen again.
    """
    (source,) = args.source
    live, teller, journal, film = is_live(source), wished.teller, wished.journal, FilmTime()
    clock = WallClock() if live else film
    camera = open_camera(source, clock)
    before = standing_units(earlier) if live else []
    wanted = args.count if wished.sample is None else len(wished.sample.numbers)
    unlit = replace(wished.rig, projector=None, mat_over_paper=None)
    try:
        with (
            _bar("frames", camera.frames if isinstance(camera, Recording) else None) as advance,
            InThread() if live else nullcontext(AtOnce()) as worker,
        ):
            tally = Tally(wished.expected, teller, wished.sample, before)

            def hears(t_s: float) -> None:
                film.t_s = t_s
                advance()

            table = Table(Watched(camera, hears), NoLight(), clock, teller)
            table.latency_s, table.has_light = 0.0, False
            keeper = journal if live else Again(journal, earlier)
            bench = Bench(table, unlit, keeper, session, cloth_of(args.cloth), worker=worker)
            piled = pile(bench, wished.expected, USUAL, wanted, verdicts_of(before), runs=tally)
    finally:
        camera.close()
    journal.end(session, datetime.now().astimezone())
    tally.close(session_keys(journal, session, piled.units))
    return 0


def _measure_stills(args: argparse.Namespace, wished: Pictured, session: int, earlier: Sequence[Entry]) -> int:
    """Measure every photograph that is not in the records yet; the exit code is 1 where one could not be measured.

    With a sample of as many units as there are photographs, only those that were drawn are measured. Otherwise the pile
    ends with the photograph that has the last unit wanted.
    """
    checker = Checker.of(wished.rig, [wished.expected], files(args.empty), cloth_of(args.cloth))
    paths, wanted = stills_of(args.source), args.count
    if wished.sample is not None:
        wanted = len(wished.sample.numbers)
        if len(paths) == args.count:
            paths = [paths[number - 1] for number in wished.sample.numbers]
    before = standing_units(earlier)
    done = {str(entry.event().get("frame")) for entry in before}  # those of one photograph are kept all or none
    paths = [path for path in paths if str(path) not in done]
    if args.scheduler is None:
        lots = measured_lots(paths, checker, min(args.workers, max(len(paths), 1)))
    else:
        lots = lots_by_cluster(paths, checker, args.scheduler)
    faulty = seen = 0
    with _bar("pictures", len(paths)) as advance:
        tally = Tally(wished.expected, wished.teller, wished.sample, before)
        for lot in _kept(lots, wished, tally, session, None if wanted is None else wanted - len(before)):
            faulty, seen = faulty + (not lot.measured), seen + 1
            advance()
    wished.journal.end(session, datetime.now().astimezone())
    tally.close(session_keys(wished.journal, session, ()) | {"pictures": seen, "not_measured": faulty})
    return 1 if faulty else 0


def _kept(lots: Iterator[Lot], wished: Pictured, tally: Tally, session: int, wanted: int | None) -> Iterator[Lot]:
    """Every lot once it is kept and told, until there are as many units as wanted.

    Those of half a second are kept in one, all or none, and nothing is told of a unit before. Whatever ends it, what is
    measured is kept.
    """
    clock, held = WallClock(), list[Lot]()
    kept_s, units = -TOGETHER_S, 0

    def keep() -> list[Lot]:
        now = held.copy()
        held.clear()  # first: what interrupts the journal is not kept once more
        judged = [event for lot in now for event in lot.units]
        wished.journal.keep_all(session, judged, datetime.now().astimezone())
        for lot in now:
            for event in lot.events:
                for told in (event, *tally.hears(event)):
                    wished.teller.pass_on(told)
        return now

    try:
        for lot in lots:
            held.append(lot)
            units += len(lot.units)
            if clock.now_s() - kept_s >= TOGETHER_S:
                yield from keep()
                kept_s = clock.now_s()
            if wanted is not None and units >= wanted:
                break
        yield from keep()
    finally:
        keep()


@contextmanager
def _bar(of: str, total: int | None) -> Iterator[Callable[[], None]]:
    """A bar on standard error, quiet where that is no terminal. What is told meanwhile stands above it."""
    columns = TextColumn("{task.description}"), BarColumn(), MofNCompleteColumn(), TimeRemainingColumn()
    terminal = sys.stderr.isatty()
    with Progress(
        *columns,
        console=Console(stderr=True),
        disable=not terminal,
        transient=True,
        redirect_stdout=terminal and sys.stdout.isatty(),
    ) as progress:
        task = progress.add_task(of, total=total)
        yield lambda: progress.advance(task)
