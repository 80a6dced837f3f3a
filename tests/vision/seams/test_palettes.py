"""Two prints told apart by their colours, on cells whose colours are drawn from palettes."""

from __future__ import annotations

import math

import numpy as np
import pytest

from vision.seams.palettes import are_two_fabrics, is_a_prints_own, likeness, parting_line
from vision.seams.search import Cells

LINE = np.array([[20.0, 0.0], [20.0, 1.0]])
GROUND, DOT, OTHER = (0.4, 0.02, 0.0), (0.6, 0.0, 0.05), (0.2, -0.05, 0.02)


def cells_of(colour_at) -> Cells:
    """A square of 40 mm; `colour_at` gives a colour for each place, and there is some noise."""
    rng = np.random.default_rng(7)
    x, y = (one.ravel() + 0.5 for one in np.meshgrid(np.arange(40.0), np.arange(40.0)))
    seen = np.array([colour_at(a, b, rng) for a, b in zip(x, y, strict=True)]) + rng.normal(0.0, 0.005, (len(x), 3))
    moments = np.column_stack([np.ones(len(x)), seen, np.zeros((len(x), 6))])
    return Cells(np.column_stack([x, y]), moments, np.full(3, 0.005))


def dotted(x, y, _rng, ground=GROUND, dot=DOT):
    return dot if math.hypot(x % 6.0 - 3.0, y % 6.0 - 3.0) < 2.0 else ground


def test_one_print_is_no_two_fabrics():
    assert are_two_fabrics(cells_of(dotted), LINE) is False


@pytest.mark.parametrize("bands_mm", [3.0, 8.0])
def test_stripes_along_the_line_are_no_two_fabrics(bands_mm):
    """Each side has the colours of the other, though not beside the line."""
    assert are_two_fabrics(cells_of(lambda x, y, rng: GROUND if x // bands_mm % 2 else DOT), LINE) is False


def test_one_large_figure_is_no_second_fabric():
    """Its ground goes on around it."""
    near = cells_of(lambda x, y, rng: DOT if math.hypot(x - 30.0, y - 20.0) < 9.0 else GROUND)
    assert are_two_fabrics(near, LINE) is False


def test_prints_of_one_ground_and_other_figures_are_two_fabrics():
    """Half of each has the other's colour: the line parts the figures alone."""
    both = cells_of(lambda x, y, rng: dotted(x, y, rng) if x < 20.0 else dotted(x, y, rng, dot=OTHER))
    assert are_two_fabrics(both, LINE)


def test_few_cells_tell_nothing():
    both = cells_of(lambda x, y, rng: GROUND if x < 20.0 else OTHER)
    assert are_two_fabrics(both, LINE)
    assert are_two_fabrics(both.where(both.places_mat_mm[:, 1] < 6.0), LINE) is None


def test_plain_cloth_has_no_lines_of_its_own():
    """In a slow shade fabrics that hardly differ have most colours in common, as a print beyond any of its lines."""

    def hardly(x, y, _rng):
        return np.array(GROUND) * (1.0 if x < 20.0 else 1.06) * (1.0 + 0.2 * y / 40.0)

    for colour_at, own in ((hardly, False), (lambda x, y, rng: GROUND if x // 8.0 % 2 else DOT, True)):
        cells = cells_of(colour_at)
        assert are_two_fabrics(cells, LINE) is False
        assert is_a_prints_own(cells, LINE) is own


@pytest.mark.parametrize(("off_mm", "turn_deg"), [(0.0, 0.0), (1.5, 2.0), (-1.0, -3.0)])
def test_the_line_goes_where_the_colours_change(off_mm, turn_deg):
    """Seen from a line that is off, it lies within a cell of the truth, though grounds are alike."""
    both = cells_of(lambda x, y, rng: dotted(x, y, rng) if x < 20.0 else dotted(x, y, rng, GROUND, OTHER))
    slope = math.tan(math.radians(turn_deg))
    start = np.array([[20.0 + off_mm + 20.0 * slope, 0.0], [20.0 + off_mm + 19.0 * slope, 1.0]])
    found = parting_line(both, start)
    along = (found[1] - found[0]) / np.hypot(*(found[1] - found[0]))
    at = [found[0, 0] + along[0] / along[1] * (y - found[0, 1]) for y in (5.0, 20.0, 35.0)]
    assert at == pytest.approx([20.0] * 3, abs=1.2)


def test_likeness_of_normal_samples():
    """Against numbers worked out by integration: two normal distributions d apart share 2 p q / (p + q)."""
    rng = np.random.default_rng(3)
    x = np.linspace(-40.0, 60.0, 40001)
    for d in (0.0, 15.0, 60.0):
        some, others = (np.column_stack([rng.normal(m, 8.0, 400), np.zeros(400), np.zeros(400)]) for m in (0.0, d))
        p, q = (np.exp(-0.5 * ((x - m) / math.hypot(8.0, 1.0)) ** 2) for m in (0.0, d))
        shared = np.sum(2.0 * p * q / (p + q + 1e-300)) / np.sum(p)
        assert likeness([some, others])[0, 1] == pytest.approx(shared, abs=0.06)
