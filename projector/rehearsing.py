"""A whole session at the virtual table: calibrate, cut a plan, and in the end compare with what really happened."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from datetime import datetime
from pathlib import Path

import numpy as np

from calibration.rig import Rig
from calibration.scale import SheetScale, from_bars
from calibration.sheet.board import Board, picture
from calibration.sheet.layout import lay_out
from projector.files.album import Album, old_pictures
from projector.files.unitpictures import FOLDER, UnitPictures
from projector.guide.units.blade import offset_of
from projector.guided import guide
from projector.light.display import DisplayError, WindowDisplay
from projector.piecing.planreading import plan_text
from projector.piecing.plans import Plan
from projector.records.journal import Journal
from projector.rehearsal.devices import VirtualCamera, VirtualClock, VirtualDisplay
from projector.rehearsal.person.places import RIM_MM
from projector.rehearsal.person.planwork import work_of
from projector.rehearsal.person.skill import Skill
from projector.rehearsal.things.sheet import PrintedSheet
from projector.rehearsal.things.sizes import MAT_MM
from projector.rehearsal.world import VirtualTable, virtual_table
from projector.score import Score, score
from projector.setup.calibrating import Wishes, calibrate
from projector.setup.captures import Captures, folder_of
from projector.setup.writing import write_rig
from projector.table.bench import Bench
from projector.table.devices import Picture, Table
from projector.telling.events import Event, Teller
from projector.telling.summary import summary_text
from projector.telling.totals import pile_keys, strip_keys
from vision.light import LINEAR_OF_BYTE, srgb_from_linear
from vision.measure import Cloth
from vision.pile import sum_up
from vision.units import Judged, Verdict

SHEET_PX_PER_MM = 8.0
SUMMARY = "summary.md"
MOST_DEPTH_MM = MAT_MM[1] - 2.0 * RIM_MM
BRIGHT, MOST_GAIN = 0.5, 8.0  # linear light that the brightest of a frame is lifted to, and by how much at most
EVERY = 4  # frames between two pictures in the laptop's window


class RehearsalError(Exception):
    """The rehearsal cannot be run; the message says in one line what to do."""


@dataclass(frozen=True, slots=True)
class Stage:
    """What the person said on the command line."""

    folder: Path
    seed: int = 1
    size_px: tuple[int, int] = (1920, 1080)
    show: bool = False
    layers: int = 2  # of the cloth that strips are cut from
    records: str | None = None  # an address; else a journal in the folder
    skill: Skill | None = None  # of the virtual person; usual hands where it is not said


def rehearse(plan: Plan, stage: Stage, teller_of: Callable[[VirtualClock], Teller]) -> Event:
    """Run it; the files are left in the stage's folder, and what the summary says is returned, untold."""
    _check_cloth(plan, stage)
    _make_folder(stage.folder)
    board, clock = Board(), VirtualClock()
    printed = picture(board, SHEET_PX_PER_MM)
    sheet = PrintedSheet(printed.pixels, *printed.size_mm, printed.margin_mm)
    world = virtual_table(
        stage.seed, work_of(plan, sheet, stage.layers), stage.size_px, stage.size_px, skill=stage.skill
    )
    teller, album = teller_of(clock), Album(stage.folder)
    watchers = [album.watches, *_window(teller, stage)]

    def watched(seen: Picture, shown: Picture) -> None:
        for watcher in watchers:
            watcher(seen, shown)

    table = Table(VirtualCamera(world, clock), VirtualDisplay(world, clock), clock, teller, watched)
    teller.listen(album.hears)

    def person(event: Event) -> None:
        world.hears(event, clock.now_s())

    teller.listen(person)
    rig_file = stage.folder / "rig.json"
    captures = Captures(folder_of(rig_file))
    found = calibrate(table, Wishes(board, scale=_read_bars(world)), captures)
    write_rig(teller, found, rig_file)
    captures.remove()
    rig = found.rig
    cloth = Cloth()

    def kept(pixels: Picture, units: tuple[Judged, ...]) -> None:
        # The strip is no unit, and has no verdict in the pictures.
        named = tuple(Judged(one.unit) if one.verdict is Verdict.OTHER else one for one in units)
        album.measured(pixels, rig.camera.pinhole, cloth.height_mm, named)

    besides: list[float] = []

    def cuts(event: Event) -> None:
        """How far each cut ran beside its line, as it was told."""
        if event["event"] == "unit" and isinstance(beside := event.get("beside_mm"), float):
            besides.append(beside)

    teller.listen(cuts)
    with Journal.open(stage.records or stage.folder / "journal.sqlite", teller.tell) as journal:
        session = journal.begin(datetime.now().astimezone(), "rehearse", plan_text(plan), str(rig_file))
        bench = Bench(table, rig, journal, session, cloth, kept, _pictures(stage, rig, cloth))
        guided = guide(bench, plan, layers=stage.layers)
        journal.end(session, datetime.now().astimezone())
    teller.forget(cuts)
    teller.forget(person)
    units = guided.units
    scored = score(units, world.close(), printed.margin_mm if rig.frame == "sheet" else None, guided.strips)
    (stage.folder / SUMMARY).write_text(summary_text(plan, rig, units, scored, offset_of(besides)), encoding="utf-8")
    return _summary_keys(units, scored)


def _read_bars(world: VirtualTable) -> SheetScale:
    """The person holds a ruler to the bars of the sheet as it is printed on letter paper."""
    sheet = lay_out(Board(), "letter")
    return from_bars(sheet.along_mm, sheet.across_mm, *world.read_bars(sheet.along_mm, sheet.across_mm))


def _summary_keys(units: tuple[Judged, ...], scored: Score) -> Event:
    errors = {"width_error_rms_mm": scored.width_error_rms_mm, "line_error_rms_mm": scored.line_error_rms_mm}
    rounded = {key: None if value is None else round(value, 5) for key, value in errors.items()}
    return pile_keys(sum_up(units)) | rounded | strip_keys(scored)


def _pictures(stage: Stage, rig: Rig, cloth: Cloth) -> UnitPictures:
    """Photographs of the units for a report; one that cannot be written ends the rehearsal, as other pictures do."""

    def trouble(error: OSError) -> None:
        raise RehearsalError(
            f"{stage.folder}: cannot be written ({error.strerror}); make room, or give another with -o"
        )

    return UnitPictures(stage.folder / FOLDER, rig.camera.pinhole, cloth.height_mm, trouble)


def _check_cloth(plan: Plan, stage: Stage) -> None:
    """The virtual person has no larger mat: cloth must lie on it from the fold to the edges away from them."""
    if stage.layers and any(cloth.depth_mm > MOST_DEPTH_MM for cloth in work_of(plan, layers=stage.layers).yardage):
        raise RehearsalError(
            f"{plan.name}: its cloth does not lie on the virtual mat in {stage.layers} layers; "
            f"give --layers {2 * stage.layers}, or 0 for strips that are cut already"
        )


def _make_folder(folder: Path) -> None:
    """Make the folder, and take away the pictures that an earlier rehearsal left in it. A journal is written on."""
    try:
        folder.mkdir(parents=True, exist_ok=True)
        (folder / SUMMARY).touch()
        (folder / SUMMARY).unlink()
        for old in old_pictures(folder):
            old.unlink()
    except OSError as error:
        raise RehearsalError(f"{folder}: cannot be written ({error.strerror}); give another folder with -o") from None


def _window(teller: Teller, stage: Stage) -> list[Callable[[Picture, Picture], None]]:
    """A window that shows camera and light side by side, if it is wanted and there is a screen."""
    if not stage.show:
        return []
    try:
        window = WindowDisplay((stage.size_px[0], stage.size_px[1] // 2), "chalkbeam: rehearsal, camera and light")
    except DisplayError as error:
        teller.tell("refused", what="window", why="no_screen", do=f"{error}; the rehearsal goes on without it")
        return []
    count = 0

    def watch(seen: Picture, shown: Picture) -> None:
        nonlocal count
        count += 1
        if count % EVERY == 1:
            height = stage.size_px[1] // 2 * 2
            window.show(np.ascontiguousarray(np.hstack([_as_an_eye(seen[:height:2, ::2]), shown[:height:2, ::2]])))

    return [watch]


def _as_an_eye(seen: Picture) -> Picture:
    """A frame brightened as an eye in a dim room would, for the window alone; nothing is measured in it."""
    gain = np.clip(BRIGHT / max(float(np.quantile(LINEAR_OF_BYTE[seen[::4, ::4]], 0.99)), 1e-3), 1.0, MOST_GAIN)
    curve = srgb_from_linear(np.clip(gain * LINEAR_OF_BYTE.astype(np.float64), 0.0, 1.0))
    return np.asarray(np.rint(curve * 255.0).astype(np.uint8)[seen])
