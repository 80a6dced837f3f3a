"""Draw strips and finished blocks over the picture that they were measured in."""

from __future__ import annotations

import math
from collections.abc import Sequence

import cv2
import numpy as np
from numpy.typing import NDArray

from calibration.pinhole import Pinhole
from vision.blocks.measure import MeasuredBlock
from vision.comparing.expected import ExpectedStar
from vision.comparing.wording import finest_of, sides_text, size_text, width_text
from vision.overlay.units import (
    COLOURS,
    SIGNS,
    SUBPIXEL_BITS,
    Colour,
    draw_line,
    fixed,
    free_corner,
    nothing_taken,
    plate_lines,
    plate_size_px,
    take,
    write_plate,
    write_tag,
)
from vision.polygons import side_lengths
from vision.strips.verdict import JudgedStrip

Floats = NDArray[np.float64]
Picture = NDArray[np.uint8]

CLEAR_PX = 8.0  # of a tip, so that it can be seen
TIP_TAG_PX = 34.0  # from a tip to its distance's middle


def draw_strips(pixels: Picture, camera: Pinhole, height_mm: float, strips: Sequence[JudgedStrip]) -> Picture:
    """A copy of the picture (H, W, 3) with long sides, seams, ends and width of each strip drawn on it."""
    picture, scale = pixels.copy(), max(1.0, pixels.shape[1] / 1920)
    for judged in strips:
        strip, colour = judged.strip, COLOURS[judged.verdict]
        lines = [line.ends_mat_mm for line in (*strip.long_sides, *strip.seams)]
        for end in strip.ends:
            lines += list(end.steps_mat_mm) if len(end.steps_mat_mm) else [end.line_mat_mm]
        lines_px = [camera.px_from_mat(line, height_mm) for line in lines]
        for line_px in lines_px:
            draw_line(picture, line_px, False, colour, scale)
        _plate(picture, np.concatenate(lines_px), _strip_lines(judged), colour, scale)
    return picture


def _strip_lines(judged: JudgedStrip) -> list[str]:
    strip = judged.strip
    words = [f"strip {SIGNS[judged.verdict]}".strip(), *([judged.verdict.words] if judged.verdict else [])]
    words += [width_text(strip.width_mm, strip.width_u_mm, judged.said_in, finest_of(judged.verdict))]
    words += [
        f"{'stepped ' if len(end.steps_mat_mm) else ''}end {math.degrees(end.angle_rad):.2f} deg, "
        f"u {math.degrees(end.u_rad):.2f}"
        for end in strip.ends
    ]
    return words + ([judged.why] if judged.why else [])


def draw_blocks(
    pixels: Picture, camera: Pinhole, height_mm: float, blocks: Sequence[tuple[MeasuredBlock, ExpectedStar]]
) -> Picture:
    """A copy of the picture (H, W, 3) with outline and tips of each block, beside what it was to be, drawn on it.

    Of opposite tips the ones nearest to each other and the ones farthest apart are joined, their distance beside one.
    """
    picture, scale, colour = pixels.copy(), max(1.0, pixels.shape[1] / 1920), COLOURS[None]
    for block, star in blocks:
        outline_px, tips_px = (camera.px_from_mat(p, height_mm) for p in (block.corners_mat_mm, block.tips_mat_mm))
        draw_line(picture, outline_px, True, colour, scale)
        ends = int(np.argmin(block.distances_mm)), int(np.argmax(block.distances_mm))
        for first in ends:
            pair = tips_px[[first, (first + len(tips_px) // 2) % len(tips_px)]]
            clear = CLEAR_PX * scale * (pair[::-1] - pair) / np.hypot(*(pair[1] - pair[0]))
            draw_line(picture, pair + clear, False, colour, scale)
        for tip_px in tips_px:
            cv2.circle(picture, fixed(tip_px), round(5 * scale * 16), colour, 1, cv2.LINE_AA, SUBPIXEL_BITS)
        for first in ends:
            away = tips_px[first] - tips_px.mean(axis=0)
            place = tips_px[first] + away / np.hypot(*away) * TIP_TAG_PX * scale
            write_tag(picture, place, f"{block.distances_mm[first]:.2f}", colour, scale)
        least, greatest = (f"{block.distances_mm[first]:.2f}" for first in ends)
        sides = side_lengths(block.corners_mat_mm)
        apart = f" {size_text(float(block.distances_mm.mean()), 'in')}" if star.said_in == "in" else ""
        words = [
            f"{len(tips_px)} points, opposite ones apart{apart}",
            f"{least} to {greatest} mm, u {block.distances_u_mm.max():.2f}",
            f"{sides_text(sides.tolist(), star.said_in)}, u {block.corners_u_mm.max():.2f}",
        ]
        _plate(picture, outline_px, words, colour, scale)
    return picture


def _plate(picture: Picture, outline_px: Floats, words: Sequence[str], colour: Colour, scale: float) -> None:
    lines = plate_lines(words)
    plate_px, taken = plate_size_px(lines, scale), nothing_taken(picture)
    (left, top), (right, bottom) = outline_px.min(axis=0), outline_px.max(axis=0)
    take(taken, np.array([[left, top], [right, top], [right, bottom], [left, bottom]]))
    corner_px = free_corner(outline_px, plate_px, taken)
    write_plate(picture, corner_px, plate_px, lines, colour, scale)
