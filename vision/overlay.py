"""Draw what was measured over the picture that it was measured in."""

from __future__ import annotations

from collections.abc import Sequence

import cv2
import numpy as np
from numpy.typing import NDArray

from calibration.pinhole import Pinhole
from vision.units import FindingKind, Judged, Verdict
from vision.wording import finding_text, size_text

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
MARKED = 2.0  # times as thick
SUBPIXEL_BITS = 4
FONT = cv2.FONT_HERSHEY_SIMPLEX


def draw_units(
    pixels: NDArray[np.uint8], camera: Pinhole, height_mm: float, units: Sequence[Judged], names: Sequence[str] = ()
) -> NDArray[np.uint8]:
    """A copy of the picture (H, W, 3) with outline, corner 0, seams, widths and verdict of each unit drawn on it."""
    picture = pixels.copy()
    scale = max(1.0, pixels.shape[1] / 1920)
    outlines_px = [camera.px_from_mat(judged.unit.corners_mat_mm, height_mm) for judged in units]
    for judged, outline_px in zip(units, outlines_px, strict=True):
        colour = COLOURS[judged.verdict]
        draw_line(picture, outline_px, True, colour, scale)
        for seam in judged.unit.seams:
            draw_line(picture, camera.px_from_mat(seam.ends_mat_mm, height_mm), False, colour, scale)
        for side in sorted(_marked(judged)):
            ends_px = outline_px[[side, (side + 1) % len(outline_px)]]
            draw_line(picture, ends_px, False, colour, MARKED * scale)
            _number(picture, outline_px, side, colour, scale)
        cv2.circle(picture, fixed(outline_px[0]), round(3 * scale * 16), colour, -1, cv2.LINE_AA, SUBPIXEL_BITS)
    taken = [np.array([outline_px.min(axis=0), outline_px.max(axis=0)]) for outline_px in outlines_px]
    size_px = np.array(pixels.shape[1::-1], np.float64)
    for i, (judged, outline_px) in enumerate(zip(units, outlines_px, strict=True)):
        name = names[i] if i < len(names) else f"{i + 1}"
        lines = [f"{name} {SIGNS[judged.verdict]}".strip(), *_lines(judged)]
        plate_px = plate_size_px(lines, scale)
        corner_px = free_corner(outline_px, plate_px, taken, size_px)
        taken.append(np.array([corner_px, corner_px + plate_px]))
        write_plate(picture, corner_px, plate_px, lines, COLOURS[judged.verdict], scale)
    return picture


def _lines(judged: Judged) -> list[str]:
    lines = [judged.verdict.words] if judged.verdict is not None else []
    finest = 32 if judged.verdict in (None, Verdict.FITS) else 64  # so that a difference that is told can be seen
    for width in judged.unit.widths:
        inches = f"{size_text(width.mean_mm, 'in', finest)}, " if judged.said_in == "in" else ""
        lines.append(f"{inches}{width.mean_mm:.2f} mm, u {width.u_mm:.2f}")
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
    middle = (outline_px[side] + outline_px[(side + 1) % len(outline_px)]) / 2.0
    away = middle - outline_px.mean(axis=0)
    x, y = middle + away / (np.hypot(*away) + 1e-9) * 12.0 * scale + np.array([-4.0, 5.0]) * scale
    for ink, width in (((0, 0, 0), 3), (colour, 1)):
        place, thick = (round(float(x)), round(float(y))), max(1, round(width * scale))
        cv2.putText(picture, f"{side}", place, FONT, 0.45 * scale, ink, thick, cv2.LINE_AA)


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


def plate_size_px(lines: Sequence[str], scale: float) -> Floats:
    """Width and height of a plate of text."""
    widths = [cv2.getTextSize(line, FONT, 0.5 * scale, 1)[0][0] for line in lines]
    return np.array([max(widths) + 20 * scale, 19 * scale * len(lines) + 10 * scale])


def free_corner(outline_px: Floats, plate_px: Floats, taken: Sequence[Floats], size_px: Floats) -> Floats:
    """Upper-left corner of a plate beside an outline, where it covers least of what is taken: (2, 2) boxes."""
    low, high, gap = outline_px.min(axis=0), outline_px.max(axis=0), 10.0
    middle = (low + high - plate_px) / 2.0
    places = [
        np.array([high[0] + gap, middle[1]]),
        np.array([low[0] - gap - plate_px[0], middle[1]]),
        np.array([middle[0], high[1] + gap]),
        np.array([middle[0], low[1] - gap - plate_px[1]]),
    ]
    places = [np.clip(place, 0.0, np.maximum(size_px - plate_px, 0.0)) for place in places]

    def covered(place: Floats) -> float:
        reach = [np.minimum(place + plate_px, box[1]) - np.maximum(place, box[0]) for box in taken]
        return float(sum(np.prod(np.maximum(r, 0.0)) for r in reach))

    return min(places, key=covered)


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
