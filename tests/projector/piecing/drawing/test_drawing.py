"""Drawings of one's own block: recognised, put right, refused in one line; held against shapely and matplotlib.

The drawings that matplotlib writes are inputs that no code of ours made; faces and areas are shapely's own.
"""

from __future__ import annotations

import io
import math
import time
import tracemalloc

import numpy as np
import pytest
import shapely
from hypothesis import given, settings
from hypothesis import strategies as st
from shapely import LineString, Polygon

from projector.piecing.blocks.catalogue import block_of
from projector.piecing.drawing.drawn import Drawing, DrawingError
from projector.piecing.drawing.own import own_block, recognised, set_in_notes
from projector.piecing.drawing.patchlist import drawing_from_toml
from projector.piecing.drawing.svgreading import drawing_from_svg
from projector.piecing.patchwork.order import set_in_places
from projector.piecing.patchwork.patches import joins_of
from projector.piecing.plans import OwnPatch
from projector.piecing.tables import PlanError

HEAD = '<svg xmlns="http://www.w3.org/2000/svg" width="200mm" height="200mm" viewBox="0 0 1000 1000">'
FINISH = 304.8


def svg(*shapes: str) -> bytes:
    return (HEAD + "".join(shapes) + "</svg>").encode()


def rect(x: float, y: float, w: float, h: float, fill: str = "red", more: str = "") -> str:
    return f'<rect x="{x}" y="{y}" width="{w}" height="{h}" fill="{fill}" {more}/>'


def line(*points: float) -> str:
    pairs = " ".join(f"{x},{y}" for x, y in zip(points[::2], points[1::2], strict=True))
    return f'<polyline points="{pairs}" fill="none" stroke="black"/>'


def read(*shapes: str) -> Drawing:
    return drawing_from_svg(svg(*shapes), "own.svg", "own")


def rows(*patches: str) -> str:
    return "".join(f'[[patches]]\nfabric = "red"\ncorners = [{patch}]\n' for patch in patches)


def areas(patches: tuple[OwnPatch, ...]) -> list[float]:
    return [Polygon(patch.corners_mm).area for patch in patches]


SQUARES = (rect(0, 0, 500, 500), rect(500, 0, 500, 500, "#00f"), rect(0, 500, 500, 500, "blue"))
SQUARES += (rect(500, 500, 500, 500, "red", 'class="madder"'),)


def test_filled_shapes_are_patches_by_colour_or_class_the_right_way_up() -> None:
    seen = recognised(read(*SQUARES), FINISH)
    assert [patch.fabric for patch in seen.patches] == ["red", "#0000ff", "#0000ff", "madder"]
    assert (0.0, 304.8) in seen.patches[0].corners_mm  # drawn at the top
    assert areas(seen.patches) == pytest.approx([152.4**2] * 4)
    assert seen.notes == ()


def test_transforms_of_groups_apply_and_a_circle_is_laid_over() -> None:
    turned = f'<g transform="translate(500 0) scale(2)"><g transform="rotate(45)">{rect(0, 0, 100, 100)}</g></g>'
    drawing = read(turned, f'<g transform="scale(2)">{"<circle cx=" + chr(34)}250" cy="70" r="20" fill="gold"/></g>')
    seen = recognised(drawing, FINISH)
    assert areas(seen.patches) == pytest.approx([FINISH**2 / 2])  # a square on its corner
    (disc,) = seen.discs
    wide = 200 * math.sqrt(2)
    assert disc.middle_mm == pytest.approx((FINISH / 2, (wide - 140) / wide * FINISH), rel=1e-5)
    assert disc.radius_mm == pytest.approx(40 / wide * FINISH, rel=1e-5)
    assert own_block("own", seen.patches, seen.discs).discs[0].fabric == "gold"


def test_drawings_of_matplotlib_are_read() -> None:
    """matplotlib's own SVG (paths, clip paths, styles, points for a unit, numbers of six digits)."""
    import matplotlib

    matplotlib.use("Agg")
    from matplotlib import pyplot
    from matplotlib.patches import Polygon as Drawn

    star = block_of("eight-pointed star", 100.0, {"rows": "1"})
    figure = pyplot.figure(figsize=(5, 5))
    figure.patch.set_visible(False)
    axes = figure.add_axes((0.1, 0.1, 0.8, 0.8))
    axes.axis("off")
    axes.set_xlim(0, 100)
    axes.set_ylim(0, 100)
    for patch in star.patches:
        colour = "C0" if len(patch.corners_mm) == 3 else "C1"
        axes.add_patch(Drawn(patch.corners_mm, facecolor=colour, edgecolor="none"))
    text = io.BytesIO()
    figure.savefig(text, format="svg")
    pyplot.close(figure)
    seen = recognised(drawing_from_svg(text.getvalue(), "star.svg", "star"), 100.0)
    assert sorted(areas(seen.patches)) == pytest.approx(sorted(patch.area_mm2 for patch in star.patches), abs=1e-2)
    assert len({patch.fabric for patch in seen.patches}) == 2
    own = own_block("star", seen.patches, seen.discs)
    assert set_in_places(own.piece) == set_in_places(star.piece)
    assert shapely.union_all([Polygon(patch.corners_mm) for patch in own.patches], grid_size=1e-6).area == (
        pytest.approx(100.0**2, abs=1e-2)
    )


@settings(max_examples=25, deadline=None)
@given(st.lists(st.integers(1, 9), min_size=1, max_size=4), st.lists(st.integers(1, 9), min_size=1, max_size=4))
def test_the_faces_between_lines_are_those_of_shapely(columns: list[int], row: list[int]) -> None:
    """Against `shapely.polygonize` of the same lines, noded by `unary_union`; one diagonal besides."""
    xs, ys = np.cumsum([0, *columns]) * 20.0, np.cumsum([0, *row]) * 20.0
    drawn = [(x, 0.0, x, ys[-1]) for x in xs] + [(0.0, y, xs[-1], y) for y in ys] + [(0.0, 0.0, xs[-1], ys[-1])]
    noded = shapely.unary_union([LineString(((a, b), (c, d))) for a, b, c, d in drawn])
    faces = shapely.get_parts(shapely.polygonize(shapely.get_parts(noded)))
    drawing = read(*(line(*one) for one in drawn))
    if min(face.area / max(face.length, 1.0) for face in faces) < 2.0:
        return  # slivers are no patches
    assert sorted(areas(drawing.patches)) == pytest.approx(sorted(face.area * 0.2**2 for face in faces), rel=1e-4)


def test_words_within_faces_name_their_fabric_and_loose_lines_are_told() -> None:
    lines = (line(0, 0, 800, 0, 800, 800, 0, 800, 0, 0), line(400, 0, 400.3, 799.8))
    drawing = read(*lines, '<text x="100" y="100">indigo</text>')
    assert sorted(patch.fabric for patch in drawing.patches) == ["cloth", "indigo"]
    assert areas(recognised(drawing, 100.0).patches) == pytest.approx([5000.0, 5000.0], rel=1e-3)
    with pytest.raises(DrawingError, match="parts no two patches; lead it on"):
        read(*lines, line(100, 400, 300, 400))


NOISE = st.floats(-0.3, 0.3)


@settings(max_examples=25, deadline=None)
@given(st.lists(NOISE, min_size=72, max_size=72))
def test_clicks_that_miss_are_put_right(noise: list[float]) -> None:
    """A nine patch of 1000 units, every corner off by up to 0.3 by itself: nine equal squares, seams straight."""
    off = iter(noise)
    places = [(0, 0), (1, 0), (1, 1), (0, 1)]
    shapes = []
    for i in range(3):
        for j in range(3):
            corners = [(1000 / 3 * (i + x) + next(off), 1000 / 3 * (j + y) + next(off)) for x, y in places]
            shapes.append(f'<polygon fill="red" points="{" ".join(f"{x},{y}" for x, y in corners)}"/>')
    seen = recognised(read(*shapes), 300.0)
    assert areas(seen.patches) == pytest.approx([1e4] * 9, abs=1e-3)
    own = own_block("nine", seen.patches, ())
    assert set_in_places(own.piece) == 0


def test_a_true_bend_is_kept() -> None:
    drawing = read('<polygon fill="red" points="0,0 500,20 1000,0 1000,500 0,500"/>')
    assert len(recognised(drawing, 300.0).patches[0].corners_mm) == 5


def test_t_joints_are_told_with_place_and_size() -> None:
    text = rows(
        '"0 in 0 in", "4 in 0 in", "4 in 2 in", "0 in 2 in"',
        '"0 in 2 in", "1 in 2 in", "1 in 4 in", "0 in 4 in"',
        '"1 in 2 in", "4 in 2 in", "4 in 4 in", "1 in 4 in"',
    )
    (note,) = recognised(drawing_from_toml(text, "own.toml", "own"), 101.6).notes
    what = "1 corner lies on the side of another patch (T-joints)"
    assert note == f"{what}: (1 in, 2 in), 1 in from a corner of patches[1]"


def test_what_cannot_be_sewn_straight_is_told_with_its_place() -> None:
    """Two L-shaped patches about a square have no straight seam from rim to rim."""
    text = rows(
        '"0 in 0 in", "3 in 0 in", "3 in 1 in", "1 in 1 in", "1 in 3 in", "0 in 3 in"',
        '"1 in 1 in", "3 in 1 in", "3 in 3 in", "1 in 3 in"',
    )
    drawing = drawing_from_toml(text, "own.toml", "own")
    seen = recognised(drawing, 76.2)
    block = own_block("own", seen.patches, ())
    assert set_in_places(block.piece) == 1
    (note,) = set_in_notes(block, 76.2, drawing)
    assert note == "straight seams alone do not sew it: 1 seam must be set in, at (1 in, 1 in)"
    assert sum(len(join.set_in_mm) for join in joins_of(block.piece)) == 1


ROUND = [rect(i * 300, j * 300, 300, 300) for i in range(3) for j in range(3) if (i, j) != (1, 1)]
DOCTYPE = '<!DOCTYPE svg [<!ENTITY a "aaaaaaaaaa"><!ENTITY b "&a;&a;&a;&a;&a;&a;&a;&a;">]>'


@pytest.mark.parametrize(
    ("shapes", "says"),
    [
        (
            [rect(0, 0, 510, 500), *SQUARES[1:]],
            '"rect 1" and "rect 2" overlap by 100.00 mm x 2.00 mm at 101.0 mm',
        ),
        (
            ROUND,
            'a gap of 60.00 mm x 60.00 mm between "rect 2" and "rect 4" at 90.0 mm from',
        ),
        ([*SQUARES[:3], rect(510, 500, 490, 500)], "a gap of 100.00 mm x 2.00 mm at the rim at 101.0 mm"),
        ([rect(0, 0, 1000, 1000, "white"), *SQUARES], 'lies within "rect 1"; patches lie beside each other: take out'),
        (
            [rect(0, 0, 500, 500), rect(500, 500, 500, 500)],
            "150.0 mm from the left, 150.0 mm from the top touches none",
        ),
        (
            ['<polygon fill="red" points="0,0 100,100 100,0 0,100"/>'],
            "crosses itself at 10.0 mm from the left",
        ),
        (['<path id="arch" fill="red" d="M0 0 C 10 0 10 10 0 10 Z"/>'], '"arch" has a curve, and seams are straight'),
        (['<ellipse cx="9" cy="9" rx="4" ry="2" fill="red"/>'], "has an arc"),
        ([rect(0, 0, 500, 500, "red", 'rx="20"')], "has an arc"),
        ([*ROUND, '<circle cx="450" cy="450" r="260" fill="red"/>'], "let the patches meet beneath the disc"),
        ([*SQUARES, '<circle cx="2000" cy="450" r="20" fill="red"/>'], "lies beyond the patches; lay it on them"),
        (['<use href="#a"/>'], "holds copies (<use>)"),
        ([rect(0, 0, 1, 1, "none")], "no patches are in it"),
        ([line(0, 0, 100, 0, 100, 100)], "parts no two patches"),
        (['<rect x="NaN" y="0" width="5" height="5"/>'], '<rect> has x = "NaN", which is no number'),
        (['<polygon points="0,0 1e308,0 0,1e308"/>'], "has a corner beyond 100 m"),
        (['<rect width="1e308" height="5" transform="scale(1e308)"/>'], "has a corner that is no place"),
        (
            [f'<polygon points="{" ".join(f"{k},{k * k}" for k in range(51))}"/>'],
            "51 corners; at most 50",
        ),
        (['<path d="M 1 1 L 2 q"/>'], "cannot be read"),
        (["<g>" * 60 + "</g>" * 60], "within each other"),
        (["<g>"], "not XML"),
    ],
    ids=lambda value: value[:30] if isinstance(value, str) else "",
)
def test_a_mistake_in_a_drawing_is_told_in_one_line_with_its_place(shapes: list[str], says: str) -> None:
    with pytest.raises(DrawingError) as error:
        recognised(read(*shapes), FINISH)
    told = str(error.value)
    assert says in told
    assert told.startswith("own.svg")
    assert "; " in told
    assert "\n" not in told
    assert len(told) < 400


@pytest.mark.parametrize(
    ("text", "says"),
    [
        (
            '[[patches]]\nfabric = "red"\ncorners = ["0 in 0 in", "4 in"]\n',
            'corners = "4 in": does not fit; a place is two',
        ),
        (rows('"0 in 0 in", "4 in 0 in"'), "patches[1].corners = list of 2: does not fit; it must hold at least 3"),
        (rows('"0 in 0 in", "4 in nan", "4 in 4 in"'), 'patches[1].corners = "4 in nan": not a row of lengths'),
        (rows('"0 in 0 in", "4 in 0 in", "1e308 in 4 in"'), "patches[1].corners = "),
        (rows('"0 in 0 in", "4 in 0 in", "900000 in 4 in"'), "longer than 100 m"),
        (rows('"0 in 0 in", "4 in 0 in", "8 in 0 in"'), "all corners lie in one line"),
        (rows("4"), "patches[1].corners = 4: does not fit; a place is two lengths"),
        (rows('"0 in 0 in", "4 in 4 in", "4 in 0 in", "0 in 4 in"'), "patches[1] crosses itself at (2 in, 2 in)"),
        (
            rows('"0 in 0 in", "4 in 0 in", "4 in 4 in", "4 in 4.001 in"'),
            "patches[1] has a side of 0 in",
        ),
        ('[[patches]]\ncorners = ["0 in 0 in"]\n', "patches[1].fabric is missing"),
        ('[[patches]]\nfabrik = "red"\n', 'patches[1].fabrik: no such key; did you mean "fabric"?'),
        ('patches = "many"\n', 'patches = "many": does not fit; it must be tables'),
        ('[block]\nname = "own"\n', "no patches; begin each by a line [[patches]]"),
        ("[[patches]]\n" * 80_000, "80000 of them are too many; at most 2000 are taken"),
        ("a = " + "[" * 4000, "nested too deep"),
        (
            '[[discs]]\nfabric = "red"\nradius = "1 in"\n' + rows('"0 in 0 in", "4 in 0 in", "4 in 4 in"'),
            "discs[1].middle is missing",
        ),
    ],
    ids=lambda value: ascii(value[-30:]),
)
def test_a_mistake_in_a_list_is_told_in_one_line_with_its_key(text: str, says: str) -> None:
    with pytest.raises((DrawingError, PlanError)) as error:
        recognised(drawing_from_toml(text, "own.toml", "own"), FINISH)
    told = str(error.value)
    assert says in told
    assert told.startswith("own.toml")
    assert "\n" not in told
    assert len(told) < 300


def test_clockwise_corners_are_turned() -> None:
    text = rows('"0 in 0 in", "0 in 4 in", "4 in 4 in", "4 in 0 in"')
    (patch,) = recognised(drawing_from_toml(text, "own.toml", "own"), 50.0).patches
    assert Polygon(patch.corners_mm).exterior.is_ccw


HOSTILE = {
    "entities": DOCTYPE.encode() + svg("<text>&b;</text>"),
    "a hundred thousand patches": svg(rect(0, 0, 1, 1) * 100_000),
    "five thousand and one": svg("<g/>" * 5_001),
    "deep": svg("<g>" * 200_000),
    "one long path": svg('<path fill="red" d="M0 0' + "l1 1" * 300_000 + '"/>'),
    "one long transform": svg('<rect transform="' + "matrix(" * 100_000 + '"/>'),
    "long styles": svg("<style>" + "/*" * 200_000 + "</style>"),
    "all in one place": svg(rect(0, 0, 900, 900) * 1_000),
    "lines that meet": svg(*(line(37 * k % 997, 0, 91 * k % 997, 997) for k in range(3_000))),
    "no letters": b"\xff\xfe\x00" * 1_000,
    "unknown letters": b'<?xml version="1.0" encoding="martian"?>' + svg(),
}


@pytest.mark.parametrize("name", HOSTILE)
def test_a_hostile_drawing_ends_soon_and_small(name: str) -> None:
    """The processor's time of this process: other work on the machine does not count."""
    recognised(read(*SQUARES), FINISH)  # imports are not the drawing's time
    tracemalloc.start()
    started = time.process_time()
    try:
        with pytest.raises(DrawingError) as error:
            recognised(drawing_from_svg(HOSTILE[name], "own.svg", "own"), FINISH)
        taken, (_, most) = time.process_time() - started, tracemalloc.get_traced_memory()
    finally:
        tracemalloc.stop()
    assert "\n" not in str(error.value)
    assert taken < 4.0  # a second and less without tracing
    assert most < 100e6
