"""Where a session is led at the table: measuring beside the light, photographs of units, tones, the laptop's window."""

from __future__ import annotations

import argparse
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from pathlib import Path

from calibration.rig import Rig
from projector.commands.options import cloth_of
from projector.files.unitpictures import UnitPictures
from projector.records.journal import Journal
from projector.seeing.beside import InThread
from projector.table.bench import Bench
from projector.table.devices import Table
from projector.table.monitor import Monitor
from projector.telling.events import Teller
from projector.telling.sounds import Tones
from vision.measure import Cloth


def add_pictures(parser: argparse.ArgumentParser) -> None:
    parser.add_argument("--pictures", type=Path, metavar="FOLDER", help="keep a photograph of every unit, for report")


@contextmanager
def at_bench(
    args: argparse.Namespace,
    table: Table,
    rig: Rig,
    journal: Journal,
    session: int,
    tones: Callable[[], Tones] = Tones,
) -> Iterator[Bench]:
    """The bench of a session, with what the person wants beside it: tones, photographs in a folder, the window."""
    cloth, folder = cloth_of(args.cloth), getattr(args, "pictures", None)  # not every command keeps them
    pictures = None if folder is None else _pictures(folder, rig, cloth, table.teller)
    if not args.quiet:
        table.teller.listen(tones().hears)
    with InThread() as worker, _watched(args.monitor, table, rig, cloth) as monitor:
        yield Bench(table, rig, journal, session, cloth, pictures=pictures, worker=worker, monitor=monitor)


def _pictures(folder: Path, rig: Rig, cloth: Cloth, teller: Teller) -> UnitPictures:
    """Keeps photographs of units; that they cannot be written is told, and stops nothing."""

    def trouble(error: OSError) -> None:
        do = f"{folder}: cannot be written ({error.strerror}), so no more photographs are kept; the cut goes on"
        teller.tell("refused", what="pictures", why="not_written", do=do)

    return UnitPictures(folder, rig.camera.pinhole, cloth.height_mm, trouble)


@contextmanager
def _watched(wanted: bool, table: Table, rig: Rig, cloth: Cloth) -> Iterator[Monitor | None]:
    """The laptop's window, if it is wanted."""
    if not wanted:
        yield None
        return
    monitor = Monitor(rig.camera.pinhole, cloth.height_mm)
    table.watched_by(monitor.watches)
    try:
        yield monitor
    finally:
        monitor.close()
