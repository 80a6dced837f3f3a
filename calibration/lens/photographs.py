"""From pictures to a camera in one call: find the sheet in each, solve, and say what became of every view."""

from __future__ import annotations

from collections.abc import Iterable, Sequence

import numpy as np
from numpy.typing import NDArray

from calibration.lens.camera import SHEET_THICKNESS_MM, CalibrationError, CameraSolution, solve_camera
from calibration.scale import EXACT, SheetScale
from calibration.sheet.board import Sheet
from calibration.sheet.corners import Refused, SheetView, find_sheet

Picture = NDArray[np.uint8]

MISTAKES = {"another_board", "another_dictionary", "legacy", "mirrored"}  # one of them for all pictures is no accident
FEWEST_TO_TELL = 3  # pictures, to say that a row is nowhere


def camera_from_photographs(
    flat: Iterable[tuple[str, Picture]],
    tilted: Iterable[tuple[str, Picture]],
    board: Sheet,
    thickness_mm: float = SHEET_THICKNESS_MM,
    scale: SheetScale = EXACT,
) -> tuple[CameraSolution, tuple[str, ...]]:
    """Solve the camera from named pictures, callers having sorted them: the first flat one is the mat frame.

    Returns the solution and a line for every picture, used or refused. Raises CalibrationError where sizes
    differ, too few pictures show the board, or another board than was told.
    """
    flat_found, flat_sizes = _find(flat, board)
    tilted_found, tilted_sizes = _find(tilted, board)
    size_px = _one_size(flat_sizes + tilted_sizes)
    found = flat_found + tilted_found
    refused = [one for one in found if isinstance(one, Refused)]
    _check_seen(found, refused)
    _check_rows(_views(found), board)
    solution = solve_camera(_views(flat_found), _views(tilted_found), size_px, thickness_mm, scale)
    lines = [str(fit) for fit in solution.views]
    left_out = [*refused, *solution.refused]
    return solution, tuple(lines + [f"{one.name}: not used, {one.why}: {one.do}" for one in left_out])


def _find(
    pictures: Iterable[tuple[str, Picture]], board: Sheet
) -> tuple[list[SheetView | Refused], list[tuple[str, tuple[int, int]]]]:
    found, sizes = [], []
    for name, picture in pictures:
        found.append(find_sheet(picture, board, name))
        sizes.append((name, (picture.shape[1], picture.shape[0])))
    return found, sizes


def _views(found: Sequence[SheetView | Refused]) -> list[SheetView]:
    return [one for one in found if isinstance(one, SheetView)]


def _one_size(sizes: Sequence[tuple[str, tuple[int, int]]]) -> tuple[int, int]:
    if not sizes:
        raise CalibrationError("no pictures of the sheet; give some of it flat on the mat and some tilted")
    first, size = sizes[0]
    for name, other in sizes:
        if other != size:
            raise CalibrationError(
                f"{name} is {other[0]}x{other[1]} and {first} is {size[0]}x{size[1]}; "
                "take all pictures with one camera in one size"
            )
    return size


def _check_seen(found: Sequence[SheetView | Refused], refused: Sequence[Refused]) -> None:
    if len(refused) < len(found):
        return
    whys = {one.why for one in refused}
    if len(whys) == 1 and whys <= MISTAKES:
        seen, _, do = refused[0].do.partition(": ")
        raise CalibrationError(f"{refused[0].name} and all other pictures: {seen}; {do}")
    raise CalibrationError(
        f"the board is not seen in any of {len(found)} pictures ({refused[0].name}: {refused[0].why}); "
        "check that it is the board told, and in full view"
    )


def _check_rows(views: Sequence[SheetView], board: Sheet) -> None:
    """A row at the rim that no picture shows, the rest being seen in all, was told but not printed."""
    if len(views) < FEWEST_TO_TELL:
        return
    told_mm = board.corners_sheet_mm
    seen_mm = told_mm[np.unique(np.concatenate([view.ids for view in views]))]
    missing = np.concatenate([seen_mm.min(axis=0) - told_mm.min(axis=0), told_mm.max(axis=0) - seen_mm.max(axis=0)])
    if missing.max() > 0:
        side = ("left", "lowest", "right", "top")[int(np.argmax(missing))]
        raise CalibrationError(
            f"no picture shows the sheet's {side} corners; tell the board's own size with --board, or show all of it"
        )
