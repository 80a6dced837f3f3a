"""Draw what was measured over the picture that it was measured in."""

from __future__ import annotations

import textwrap
from collections.abc import Sequence

import cv2
import numpy as np
from numpy.typing import NDArray

from calibration.pinhole import Pinhole
from vision.comparing.wording import finding_text, finest_of, sides_text, width_text
from vision.units import FindingKind, Judged, Verdict

Floats = NDArray[np.float64]
Colour = tuple[int, int, int]

# Okabe and Ito, "Color Universal Design", 2008: told apart by colour-blind people. Blue green red.
COLOURS = {
    Verdict.FITS: (115, 158, 0),
    Verdict.TRIM: (0, 159, 230),
    Verdict.SHORT: (0, 94, 213),
    Verdict.CLOSE: (66, 228, 240),
    Verdict.TURNED_OVER: (167, 121, 204),
    Verdict.OTHER: (233, 180, 86),
    Verdict.LOOK_AGAIN: (233, 180, 86),
    None: (233, 180, 86),
}
SIGNS = {
    Verdict.FITS: "=",
    Verdict.TRIM: "+",
    Verdict.SHORT: "-",
    Verdict.CLOSE: "~",
    Verdict.TURNED_OVER: "%",
    Verdict.OTHER: "?",
    Verdict.LOOK_AGAIN: "!",
    None: "",
}
TAKEN_PX = 8  # squares in which is told what stands in a picture
COVERS_PX = 20.0  # a covered square is as bad as so far away
MARKED = 2.0  # times as thick
TAG_AWAY_PX, TAG_PX, TAG_SIZE = 18.0, 12.0, 0.45  # from a side to its number's middle, half of that, and its letters
SUBPIXEL_BITS = 4
PLATE_LETTERS = 56  # in a line: a wider plate covers its neighbours
FONT = cv2.FONT_HERSHEY_SIMPLEX


def draw_units(
    pixels: NDArray[np.uint8], camera: Pinhole, height_mm: float, units: Sequence[Judged], names: Sequence[str] = ()
) -> NDArray[np.uint8]:
    """A copy of the picture (H, W, 3) with outline, corner 0, seams, number, widths and verdict of each unit drawn."""
    picture = pixels.copy()
    scale = max(1.0, pixels.shape[1] / 1920)
    outlines_px = [camera.px_from_mat(judged.unit.corners_mat_mm, height_mm) for judged in units]
    named = [f"{names[i] if i < len(names) else i + 1} {SIGNS[one.verdict]}".strip() for i, one in enumerate(units)]
    for i, (judged, outline_px) in enumerate(zip(units, outlines_px, strict=True)):
        colour = COLOURS[judged.verdict]
        draw_line(picture, outline_px, True, colour, scale)
        for seam in judged.unit.seams:
            draw_line(picture, camera.px_from_mat(seam.ends_mat_mm, height_mm), False, colour, scale)
        for side in sorted(_marked(judged)):
            ends_px = outline_px[[side, (side + 1) % len(outline_px)]]
            draw_line(picture, ends_px, False, colour, MARKED * scale)
            _number(picture, outline_px, side, colour, scale)
        write_tag(picture, outline_px.mean(axis=0), named[i], colour, scale)
        cv2.circle(picture, fixed(outline_px[0]), round(3 * scale * 16), colour, -1, cv2.LINE_AA, SUBPIXEL_BITS)
    taken = nothing_taken(picture)
    for judged, outline_px in zip(units, outlines_px, strict=True):
        take(taken, outline_px)
        for tag_px in _tags_px(judged, outline_px, scale):
            take(taken, tag_px)
    for i, (judged, outline_px) in enumerate(zip(units, outlines_px, strict=True)):
        lines = plate_lines([named[i], *_lines(judged)])
        plate_px = plate_size_px(lines, scale)
        corner_px = free_corner(outline_px, plate_px, taken)
        take(taken, corner_px + plate_px * np.array([[0, 0], [1, 0], [1, 1], [0, 1]]))
        write_plate(picture, corner_px, plate_px, lines, COLOURS[judged.verdict], scale)
    return picture


def _lines(judged: Judged) -> list[str]:
    lines = [judged.verdict.words] if judged.verdict is not None else []
    finest = finest_of(judged.verdict)
    for width in judged.unit.widths:
        lines.append(width_text(width.mean_mm, width.u_mm, judged.said_in, finest))
    if not judged.unit.widths and judged.unit.curved is None and judged.unit.trouble is None:
        lines.append(sides_text(judged.unit.sides_mm.tolist(), judged.said_in, finest))
    # That it is none of the expected shapes is said by the verdict's own word.
    lines += [judged.why] if judged.why and judged.verdict is not Verdict.OTHER else []
    found = [(one.kind.value, one.sides, one.value) for one in judged.findings]
    return lines + [finding_text(*one, judged.said_in) for one in found if one[0] != Verdict.TURNED_OVER.value]


def _marked(judged: Judged) -> set[int]:
    """The sides that anything is said of."""
    found = [one for one in judged.findings if one.kind is not FindingKind.SEAM_OFF]
    return {*judged.marks, *(side for one in found for side in one.sides)}


def _number(picture: NDArray[np.uint8], outline_px: Floats, side: int, colour: Colour, scale: float) -> None:
    """The side's number, just outside its middle."""
    write_tag(picture, _tag_px(outline_px, side, scale), f"{side}", colour, scale)


def _tags_px(judged: Judged, outline_px: Floats, scale: float) -> list[Floats]:
    """(4, 2) each: about the numbers of the sides that anything is said of."""
    box = np.array([[-1.0, -1.0], [1.0, -1.0], [1.0, 1.0], [-1.0, 1.0]]) * TAG_PX * scale
    return [_tag_px(outline_px, side, scale) + box for side in sorted(_marked(judged))]


def _tag_px(outline_px: Floats, side: int, scale: float) -> Floats:
    middle = (outline_px[side] + outline_px[(side + 1) % len(outline_px)]) / 2.0
    away = middle - outline_px.mean(axis=0)
    return np.asarray(middle + away / (np.hypot(*away) + 1e-9) * TAG_AWAY_PX * scale)


def write_tag(picture: NDArray[np.uint8], middle_px: Floats, word: str, colour: Colour, scale: float) -> None:
    """A word on a small dark plate about a place (2,), as far inside the picture as it must be."""
    (width, height), _ = cv2.getTextSize(word, FONT, TAG_SIZE * scale, 1)
    half = np.array([width / 2.0 + 5.0 * scale, height / 2.0 + 5.0 * scale])
    x, y = np.clip(middle_px, half, np.maximum(np.array(picture.shape[1::-1]) - half, half))
    low, high = ((round(float(x + way * half[0])), round(float(y + way * half[1]))) for way in (-1.0, 1.0))
    cv2.rectangle(picture, low, high, (24, 24, 24), -1)
    cv2.rectangle(picture, low, high, colour, max(1, round(scale)))
    at = (round(float(x) - width / 2.0), round(float(y) + height / 2.0))
    cv2.putText(picture, word, at, FONT, TAG_SIZE * scale, (255, 255, 255), max(1, round(scale)), cv2.LINE_AA)


def fixed(point_px: Floats) -> tuple[int, int]:
    """A point as OpenCV wants it with SUBPIXEL_BITS."""
    x, y = np.rint(point_px * 2**SUBPIXEL_BITS).astype(int)
    return int(x), int(y)


def draw_line(
    picture: NDArray[np.uint8], points_px: Floats, closed: bool, colour: tuple[int, int, int], scale: float
) -> None:
    """A thin line in a dark one, in place; `points_px` (N, 2), to parts of a pixel."""
    points = np.rint(points_px * 2**SUBPIXEL_BITS).astype(np.int32)
    for ink, width in (((0, 0, 0), 3), (colour, 1)):
        cv2.polylines(picture, [points], closed, ink, max(1, round(width * scale)), cv2.LINE_AA, SUBPIXEL_BITS)


def plate_lines(said: Sequence[str]) -> list[str]:
    """What is said, each in as many lines of a plate as it takes."""
    return [line for one in said for line in textwrap.wrap(one, PLATE_LETTERS, subsequent_indent="  ") or [one]]


def plate_size_px(lines: Sequence[str], scale: float) -> Floats:
    """Width and height of a plate of text."""
    widths = [cv2.getTextSize(line, FONT, 0.5 * scale, 1)[0][0] for line in lines]
    return np.array([max(widths) + 20 * scale, 19 * scale * len(lines) + 10 * scale])


def nothing_taken(picture: NDArray[np.uint8]) -> NDArray[np.uint8]:
    """(h, w) of squares of TAKEN_PX of a picture: 1 where something stands."""
    return np.zeros([side // TAKEN_PX + 1 for side in picture.shape[:2]], np.uint8)


def take(taken: NDArray[np.uint8], polygon_px: Floats) -> None:
    """Something stands within a polygon (N, 2), and a little around it."""
    squares = np.rint(polygon_px / TAKEN_PX).astype(np.int32)
    cv2.fillPoly(taken, [squares], 1)
    cv2.polylines(taken, [squares], True, 1, 2)


def free_corner(outline_px: Floats, plate_px: Floats, taken: NDArray[np.uint8]) -> Floats:
    """Upper-left corner of the plate nearest to an outline that covers least of what is taken, within the picture."""
    rows, columns = np.ceil(plate_px[::-1] / TAKEN_PX).astype(int) + 1
    height, width = np.maximum(np.array(taken.shape) - [rows, columns], 1)
    covered = cv2.integral(np.pad(taken, ((0, rows), (0, columns))))
    covered = (
        covered[rows:, columns:] - covered[:-rows, columns:] - covered[rows:, :-columns] + covered[:-rows, :-columns]
    )
    y, x = np.mgrid[:height, :width]
    middle = (outline_px.min(axis=0) + outline_px.max(axis=0) - plate_px) / 2.0
    away = np.hypot(x * TAKEN_PX - middle[0], y * TAKEN_PX - middle[1])
    # A plate far off is no better than one that covers a little.
    row, column = np.unravel_index(np.argmin(away + COVERS_PX * covered[:height, :width]), away.shape)
    return np.array([column, row], np.float64) * TAKEN_PX


def write_plate(
    picture: NDArray[np.uint8], corner_px: Floats, plate_px: Floats, lines: Sequence[str], colour: Colour, scale: float
) -> None:
    """A dark plate with text."""
    (x, y), (width, height) = (np.rint(v).astype(int) for v in (corner_px, plate_px))
    patch = picture[y : y + height, x : x + width]
    patch[:] = patch // 4
    cv2.rectangle(picture, (int(x), int(y)), (int(x + width - 1), int(y + height - 1)), colour, max(1, round(scale)))
    for k, line in enumerate(lines):
        at = (round(x + 10 * scale), round(y + 19 * scale * (k + 1) - 2 * scale))
        cv2.putText(picture, line, at, FONT, 0.5 * scale, (255, 255, 255), max(1, round(scale)), cv2.LINE_AA)
