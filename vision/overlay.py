"""Draw what was measured over the picture that it was measured in."""

from __future__ import annotations

from collections.abc import Sequence

import cv2
import numpy as np
from numpy.typing import NDArray

from calibration.pinhole import Pinhole
from vision.units import Judged, Verdict

Floats = NDArray[np.float64]

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
SUBPIXEL_BITS = 4
FONT = cv2.FONT_HERSHEY_SIMPLEX


def draw_units(
    pixels: NDArray[np.uint8], camera: Pinhole, height_mm: float, units: Sequence[Judged], names: Sequence[str] = ()
) -> NDArray[np.uint8]:
    """A copy of the picture (H, W, 3) with outline, corner 0, seams, widths and verdict of each unit drawn on it."""
    picture = pixels.copy()
    scale = max(1.0, pixels.shape[1] / 1920)
    for i, judged in enumerate(units):
        colour = COLOURS[judged.verdict]
        outline_px = camera.px_from_mat(judged.unit.corners_mat_mm, height_mm)
        _line(picture, outline_px, True, colour, scale)
        for seam in judged.unit.seams:
            _line(picture, camera.px_from_mat(seam.ends_mat_mm, height_mm), False, colour, scale)
        cv2.circle(picture, _fixed(outline_px[0]), round(3 * scale * 16), colour, -1, cv2.LINE_AA, SUBPIXEL_BITS)
        name = names[i] if i < len(names) else f"{i + 1}"
        _tag(picture, outline_px, [f"{name} {SIGNS[judged.verdict]}".strip(), *_lines(judged)], colour, scale)
    return picture


def _lines(judged: Judged) -> list[str]:
    lines = [judged.verdict.words] if judged.verdict is not None else []
    lines += [f"{width.mean_mm:.2f} mm, u {width.u_mm:.2f}" for width in judged.unit.widths]
    lines += [judged.why] if judged.why else []
    return lines


def _fixed(point_px: Floats) -> tuple[int, int]:
    x, y = np.rint(point_px * 2**SUBPIXEL_BITS).astype(int)
    return int(x), int(y)


def _line(
    picture: NDArray[np.uint8], points_px: Floats, closed: bool, colour: tuple[int, int, int], scale: float
) -> None:
    fixed = np.rint(points_px * 2**SUBPIXEL_BITS).astype(np.int32)
    for ink, width in (((0, 0, 0), 3), (colour, 1)):
        cv2.polylines(picture, [fixed], closed, ink, max(1, round(width * scale)), cv2.LINE_AA, SUBPIXEL_BITS)


def _tag(
    picture: NDArray[np.uint8], outline_px: Floats, lines: Sequence[str], colour: tuple[int, int, int], scale: float
) -> None:
    """A small dark plate with text beside the unit's right end, or its left one where the picture ends."""
    size, step, gap = 0.5 * scale, round(19 * scale), round(10 * scale)
    widths = [cv2.getTextSize(line, FONT, size, 1)[0][0] for line in lines]
    plate = np.array([max(widths) + 2 * gap, step * len(lines) + gap])
    low, high = outline_px.min(axis=0), outline_px.max(axis=0)
    right = high[0] + gap + plate[0] < picture.shape[1]
    corner = np.array([high[0] + gap if right else low[0] - gap - plate[0], (low[1] + high[1] - plate[1]) / 2.0])
    x, y = (int(v) for v in np.clip(corner, 0, np.maximum(np.array(picture.shape[1::-1]) - plate, 0)).round())
    patch = picture[y : y + plate[1], x : x + plate[0]]
    patch[:] = patch // 4
    cv2.rectangle(picture, (x, y), (x + int(plate[0]) - 1, y + int(plate[1]) - 1), colour, max(1, round(scale)))
    for k, line in enumerate(lines):
        at = (x + gap, y + step * (k + 1) - round(2 * scale))
        cv2.putText(picture, line, at, FONT, size, (255, 255, 255), max(1, round(scale)), cv2.LINE_AA)
