"""Seams on drawn pictures: found where two fabrics meet, to a fraction of a pixel, and nowhere else."""

from __future__ import annotations

import math
from dataclasses import replace

import numpy as np
import pytest
from scipy.stats import norm, t

from tests.vision.exact import MM_PER_PX, SENSOR, VIEW, Piece, camera, everywhere, grey, picture
from tests.vision.exact_cloth import Cloth, Mat, Print, light_on_pixels
from tests.vision.exact_cover import encode
from vision.edge.picture import Picture
from vision.edge.seam_fit import Blurs, as_if_sure
from vision.finding.mat import compare_with_mat, mat_picture
from vision.light import linear_image
from vision.polygons import chord
from vision.seams.inside import find_seams
from vision.seams.search import Cells
from vision.seams.stripes import is_stripe
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


@pytest.mark.parametrize("degrees", [20, 35])
def test_a_seam_that_meets_its_sides_askew(degrees):
    """Mat beside its ends counted as cloth: of fabrics that hardly differ the step drowned in it."""
    middle, turn = SLANT.mean(axis=0), math.radians(degrees)
    askew = chord(SLANT, np.array([middle, middle + np.array([math.cos(turn), math.sin(turn)])]))
    assert askew is not None
    (seam,) = seams_of(Piece(SLANT, grey(0.5), askew, grey(0.46)))
    assert np.abs(across_px(seam, askew)).max() < 0.3


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


def test_no_seam_at_one_line_of_a_print():
    """Of a corner's stripes one line lay far enough from the others; both its sides have the same colours."""
    corner = np.array([[80.0, 60.0], [170.0, 80.0], [90.0, 130.0]])
    fabric = Print("stripes", grey(0.5), (grey(0.2), (0.1, 0.1, 0.4), grey(0.3)), 12.0, 0.5)
    light = light_on_pixels(VIEW, Mat(), [Cloth(corner, fabric)])
    bare = mat_picture(linear_image(picture(seed=3000)))
    scene = compare_with_mat(linear_image(encode(light, SENSOR, 4)), bare, everywhere())
    assert find_seams(Picture.of(scene, camera(), 0.0), corner, BLURS) == ()


def test_a_seam_of_fifteen_millimetres():
    """Between the rims 22 px are left of it; where bins were of 12 px, no spread could be told, and it was no seam."""
    small = (SLANT - [146.0, 95.0]) * 0.17 + [146.0, 95.0]
    line = (SEAM - [146.0, 95.0]) * 0.17 + [146.0, 95.0]
    (seam,) = seams_of(Piece(small, grey(0.6), line, (0.1, 0.2, 0.3)))
    assert np.abs(across_px(seam, line)).max() < 0.3


def test_two_prints_as_light_as_each_other():
    """No mean step tells them apart, but nearly every stretch along the seam shows one."""
    dots = Print("dots", (0.18, 0.11, 0.14), ((0.48, 0.55, 0.46), (0.23, 0.26, 0.18), (0.28, 0.2, 0.25)), 22.0, 0.46)
    flowers = Print("flowers", (0.5, 0.46, 0.34), ((0.22, 0.27, 0.27), (0.18, 0.21, 0.2), (0.41, 0.3, 0.33)), 3.7, 0.3)
    first, second = np.array([SLANT[0], SLANT[1], SEAM[1], SEAM[0]]), np.array([SEAM[0], SEAM[1], SLANT[2], SLANT[3]])
    light = light_on_pixels(VIEW, Mat(), [Cloth(first, dots), Cloth(second, flowers)])
    bare = mat_picture(linear_image(picture(seed=3000)))
    scene = compare_with_mat(linear_image(encode(light, SENSOR, 4)), bare, everywhere())
    (seam,) = find_seams(Picture.of(scene, camera(), 0.0), SLANT, BLURS)
    assert np.abs(across_px(seam)).max() < 0.3


def two_prints(first: Print, second: Print, jpeg: int | None = None) -> tuple[Seam, ...]:
    halves = [np.array([SLANT[0], SLANT[1], SEAM[1], SEAM[0]]), np.array([SEAM[0], SEAM[1], SLANT[2], SLANT[3]])]
    light = light_on_pixels(VIEW, Mat(), [Cloth(half, one) for half, one in zip(halves, (first, second), strict=True)])
    bare = mat_picture(linear_image(picture(seed=3000)))
    scene = compare_with_mat(linear_image(encode(light, replace(SENSOR, jpeg=jpeg), 4)), bare, everywhere())
    return find_seams(Picture.of(scene, camera(), 0.0), SLANT, BLURS)


PRINTS = {
    "plaid": Print("plaid", (0.5, 0.3, 0.4), ((0.2, 0.1, 0.15), (0.1, 0.25, 0.3), (0.6, 0.6, 0.5)), 17.0, 0.38),
    "other plaid": Print("plaid", (0.3, 0.4, 0.3), ((0.15, 0.3, 0.2), (0.5, 0.5, 0.6), (0.1, 0.1, 0.3)), 10.0, 0.37),
    "stripes": Print("stripes", (0.4, 0.45, 0.5), ((0.1, 0.15, 0.1), (0.3, 0.2, 0.1), (0.2, 0.3, 0.35)), 4.1, 0.5),
    "dots": Print("dots", (0.12, 0.25, 0.25), ((0.4, 0.4, 0.35), (0.5, 0.4, 0.4), (0.4, 0.5, 0.4)), 3.7, 0.34),
    "flowers": Print("flowers", (0.05, 0.06, 0.1), ((0.4, 0.2, 0.15), (0.3, 0.3, 0.1), (0.3, 0.1, 0.2)), 7.0, 0.4),
}


@pytest.mark.parametrize(
    ("first", "second"), [("plaid", "other plaid"), ("stripes", "dots"), ("flowers", "plaid"), ("dots", "flowers")]
)
def test_between_two_prints_a_seam_is_where_their_figures_end(first, second):
    """Rows of dots, and a plaid's own lines, had drawn the fit by up to 1.4 degrees and 0.8 mm at a stated 0.02."""
    (seam,) = two_prints(PRINTS[first], PRINTS[second], jpeg=90)
    off = across_px(seam) * MM_PER_PX
    assert np.abs(off).max() < 0.3
    assert abs(off.mean()) < 3 * seam.u_mm


@pytest.mark.parametrize("degrees", [2, 7, 20])
def test_errors_of_few_bins_count_as_rare_ones_of_many(degrees):
    """Against SciPy's distributions."""
    for errors in (1.0, 4.0, 12.0):
        assert as_if_sure(errors, degrees) == pytest.approx(norm.isf(t.sf(errors, degrees)), rel=0.05)


def cells_of(bands, width_mm=40.0):
    """A square piece whose levels are those of (to_mm, level) bands along x, with some weave."""
    rng = np.random.default_rng(5)
    x, y = (one.ravel() + 0.5 for one in np.meshgrid(np.arange(width_mm), np.arange(width_mm)))
    levels = np.array([next(level for to_mm, level in bands if at < to_mm) for at in x])
    seen = levels[:, None] * (1.0 + rng.normal(0.0, 0.02, (len(x), 1))) * [1.0, 0.1, -0.1]
    moments = np.column_stack([np.ones(len(x)), seen, np.zeros((len(x), 6))])
    return Cells(np.column_stack([x, y]), moments, np.full(3, 0.01))


@pytest.mark.parametrize(
    ("bands", "stripe"),
    [
        ([(20, 0.5), (40, 0.2)], False),  # two fabrics
        ([(20, 0.5), (23, 0.2), (40, 0.5)], True),  # one stripe
        ([(20, 0.5), (33, 0.2), (40, 0.5)], False),  # a strip of half an inch
        ([(12, 0.5), (15, 0.2), (20, 0.5), (23, 0.2), (40, 0.5)], True),
        # stripes of three colours by turns: no colour of one side is most of the other's
        (
            [
                (12, 0.33),
                (14, 0.5),
                (17, 0.33),
                (20, 0.5),
                (23, 0.2),
                (25, 0.5),
                (28, 0.33),
                (31, 0.2),
                (33, 0.5),
                (40, 0.2),
            ],
            True,
        ),
        # one plain fabric, and one striped in its colour and another by turns
        ([(20, 0.5), (23, 0.2), (25, 0.5), (28, 0.2), (30, 0.5), (33, 0.2), (35, 0.5), (40, 0.2)], False),
    ],
)
def test_a_stripe_is_what_its_ground_goes_on_beyond(bands, stripe):
    assert is_stripe(cells_of(bands), np.array([[20.0, 0.0], [20.0, 40.0]])) is stripe


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
