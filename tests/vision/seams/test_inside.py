"""Seams on drawn pictures: found where two fabrics meet, to a fraction of a pixel, and nowhere else."""

from __future__ import annotations

import math

import numpy as np
import pytest

from tests.vision.exact import MM_PER_PX, SENSOR, VIEW, Piece, camera, everywhere, grey, picture
from tests.vision.exact_cloth import Cloth, Mat, Print, light_on_pixels
from tests.vision.exact_cover import encode
from vision.edge.seam_fit import Blurs
from vision.edge.sides import Picture
from vision.finding.mat import compare_with_mat, mat_picture
from vision.light import linear_image
from vision.seams.inside import find_seams
from vision.units import Seam

SLANT = np.array([[70.0, 52.0], [158.0, 61.0], [221.0, 138.0], [133.0, 129.0]])
SEAM = np.array([[70.0, 52.0] + np.array([63.0, 77.0]) * 0.42, [158.0, 61.0] + np.array([63.0, 77.0]) * 0.42])
BLURS = Blurs(0.757)


def seams_of(piece: Piece, seed=1) -> tuple[Seam, ...]:
    bare = mat_picture(linear_image(picture(seed=3000)))
    scene = compare_with_mat(linear_image(picture(piece, seed=seed)), bare, everywhere())
    return find_seams(Picture.of(scene, camera(), 0.0), piece.corners_mat_mm, BLURS)


def across_px(seam: Seam, true=SEAM):
    """How far the measured ends are from the true line, px."""
    along = (true[1] - true[0]) / np.hypot(*(true[1] - true[0]))
    return (seam.ends_mat_mm - true[0]) @ np.array([along[1], -along[0]]) / MM_PER_PX


PAIRS = [
    (grey(0.6), grey(0.3)),
    (grey(0.05), grey(0.55)),
    (grey(0.4), grey(0.36)),  # low contrast
    ((0.05, 0.12, 0.5), (0.45, 0.15, 0.06)),
    (grey(0.02), grey(0.05)),  # black and navy
]


@pytest.mark.parametrize(("light", "second"), PAIRS)
def test_a_seam_is_found_where_it_is(light, second):
    (seam,) = seams_of(Piece(SLANT, light, SEAM, second))
    off = across_px(seam)
    assert np.abs(off).max() < 0.3
    assert np.abs(off.mean()) * MM_PER_PX < 3 * seam.u_mm
    # its ends lie on the outline's cut edges, in any order
    ends = min((seam.ends_mat_mm, seam.ends_mat_mm[::-1]), key=lambda e: float(np.abs(e - SEAM).max()))
    assert ends == pytest.approx(SEAM, abs=0.3)


@pytest.mark.parametrize("turn_deg", [0.0, 17.0, 90.0, 133.0])
def test_at_any_turn(turn_deg):
    c, s = math.cos(math.radians(turn_deg)), math.sin(math.radians(turn_deg))
    turn = np.array([[c, s], [-s, c]])
    middle = SLANT.mean(axis=0)
    outline, line = (SLANT - middle) @ turn + [170.0, 118.0], (SEAM - middle) @ turn + [170.0, 118.0]
    (seam,) = seams_of(Piece(outline, grey(0.6), line, grey(0.3)), seed=5)
    assert np.abs(across_px(seam, line)).max() < 0.3


def test_a_print_sewn_to_a_solid():
    piece = Piece(SLANT, grey(0.5), SEAM, grey(0.1), dots=(0.1, 0.1, 0.5), weave=0.03)
    (seam,) = seams_of(piece)
    assert np.abs(across_px(seam)).max() < 0.6  # a dot that the seam cuts shows its own edge


@pytest.mark.parametrize("seed", [1, 2, 3, 4])
@pytest.mark.parametrize(
    "piece",
    [
        Piece(SLANT, grey(0.6)),
        Piece(SLANT, grey(0.03)),
        Piece(SLANT, (0.05, 0.12, 0.5)),
        Piece(SLANT, grey(0.5), dots=(0.5, 0.1, 0.1)),
        Piece(SLANT, grey(0.3), weave=0.06),
    ],
)
def test_no_seam_on_one_fabric(piece, seed):
    assert seams_of(piece, seed) == ()


@pytest.mark.parametrize("pitch_mm", [9.0, 20.0])
def test_no_seam_in_a_striped_print(pitch_mm):
    """Stripes lie nearer to each other than any two seams could be sewn; up to eight of them were told as seams."""
    fabric = Print("stripes", grey(0.5), (grey(0.2), (0.1, 0.1, 0.4), grey(0.3)), pitch_mm)
    light = light_on_pixels(VIEW, Mat(), [Cloth(SLANT, fabric)])
    bare = mat_picture(linear_image(picture(seed=3000)))
    scene = compare_with_mat(linear_image(encode(light, SENSOR, 4)), bare, everywhere())
    assert find_seams(Picture.of(scene, camera(), 0.0), SLANT, BLURS) == ()


def test_no_seam_in_a_step_of_compression():
    # One step of the 8-bit encoding in red, all along a line, as a block of compressed colour leaves it.
    pixels = picture(Piece(SLANT, grey(0.55)), seed=9)
    bare = mat_picture(linear_image(picture(seed=3000)))
    blocks = pixels.copy()
    blocks[:, 352:, 2] -= (blocks[:, 352:, 2] > 150).astype(np.uint8)
    scene = compare_with_mat(linear_image(blocks), bare, everywhere())
    assert find_seams(Picture.of(scene, camera(), 0.0), SLANT, BLURS) == ()


def test_no_seam_in_something_tiny():
    assert seams_of(Piece(SLANT[:3] * 0.02 + [100.0, 100.0], grey(0.6))) == ()
