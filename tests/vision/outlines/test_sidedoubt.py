"""Doubt of sides carried to corners, lengths, angles and widths, against moving the sides and measuring anew."""

from __future__ import annotations

import numpy as np
import pytest
from numpy.typing import NDArray

from vision.outlines.sidedoubt import SideDoubt, angle_slopes, corner_slopes, length_slopes, width_slopes
from vision.polygons import interior_angles, line_meeting, outward_normals, side_distances, side_lengths, sides_of

Floats = NDArray[np.float64]

OUTLINES = {
    "rectangle": np.array([[0.0, 0.0], [80.0, 0.0], [80.0, 50.0], [0.0, 50.0]]),
    "slant": np.array([[10.0, 5.0], [90.0, 5.0], [140.0, 55.0], [60.0, 55.0]]),
    "triangle": np.array([[0.0, 0.0], [70.0, 10.0], [20.0, 60.0]]),
}
STEP = 1e-6


def moved(corners: Floats, change: Floats) -> Floats:
    """The outline with its sides offset (mm, outward) and tilted (rad, counter-clockwise) about their midpoints."""
    n, ahead = len(corners), sides_of(corners)
    middles = corners + ahead / 2.0 + outward_normals(corners) * change[:n, None]
    turn = change[n:]
    along = np.column_stack([ahead[:, 0] - turn * ahead[:, 1], ahead[:, 1] + turn * ahead[:, 0]])
    meetings = [
        line_meeting(middles[i - 1], middles[i - 1] + along[i - 1], middles[i], middles[i] + along[i]) for i in range(n)
    ]
    return np.array(meetings)


def numerical(corners: Floats, figure: object) -> Floats:
    n = len(corners)
    rows = []
    for k in range(2 * n):
        step = np.eye(2 * n)[k] * STEP
        rows.append((np.ravel(figure(moved(corners, step))) - np.ravel(figure(moved(corners, -step)))) / (2 * STEP))  # type: ignore[operator]
    return np.array(rows).T


@pytest.mark.parametrize("name", OUTLINES)
def test_slopes_are_those_of_an_outline_whose_sides_are_moved(name: str) -> None:
    corners = OUTLINES[name]
    assert corner_slopes(corners) == pytest.approx(numerical(corners, lambda c: c), abs=1e-5)
    assert length_slopes(corners) == pytest.approx(numerical(corners, side_lengths), abs=1e-5)
    assert angle_slopes(len(corners)) == pytest.approx(numerical(corners, interior_angles), abs=1e-5)


@pytest.mark.parametrize("name", ["rectangle", "slant"])
def test_a_width_moves_with_both_sides_and_with_the_slant_between_their_midpoints(name: str) -> None:
    corners = OUTLINES[name]
    for i, j in ((0, 2), (1, 3)):
        by = numerical(corners, lambda c, i=i, j=j: side_distances(c, i, j)[0])
        assert width_slopes(corners, i, j) == pytest.approx(by[0], abs=1e-4)


def test_a_common_growth_is_in_the_width_twice_and_in_a_shift_not_at_all() -> None:
    corners = OUTLINES["rectangle"]
    nothing = np.zeros((8, 8))
    growth = np.array([1.0, 1.0, 1.0, 1.0, 0, 0, 0, 0]) * 0.01
    doubt = SideDoubt(corners, nothing, nothing, nothing, np.outer(growth, growth))
    assert doubt.u_of(width_slopes(corners, 0, 2)[None])[0] == pytest.approx(0.02)
    shift = np.array([-1.0, 0.0, 1.0, 0.0, 0, 0, 0, 0]) * 0.01  # the whole unit lies elsewhere
    doubt = SideDoubt(corners, nothing, np.outer(shift, shift), nothing, nothing)
    assert doubt.u_of(width_slopes(corners, 0, 2)[None])[0] == pytest.approx(0.0, abs=1e-12)
    assert doubt.parts_of(corner_slopes(corners))["rig"].max() == pytest.approx(0.01)


def test_numbering_the_sides_anew_keeps_each_sides_doubt() -> None:
    corners = OUTLINES["slant"]
    some = np.diag(np.arange(1.0, 9.0))
    rolled = SideDoubt(corners, some, 0 * some, 0 * some, 0 * some).rolled(1)
    assert np.diag(rolled.total).tolist() == [4.0, 1.0, 2.0, 3.0, 8.0, 5.0, 6.0, 7.0]
    assert rolled.corners_mat_mm[1].tolist() == corners[0].tolist()


@pytest.mark.parametrize("name", OUTLINES)
def test_a_side_is_least_sure_of_one_of_its_ends(name: str) -> None:
    """Against how far ends lie across their sides' true lines, sides moved at random."""
    corners, rng = OUTLINES[name], np.random.default_rng(3)
    n, half = len(corners), side_lengths(corners) / 2.0
    root = rng.normal(0.0, 1.0, (2 * n, 2 * n)) * np.repeat([0.1, 0.004], n)[:, None]
    none = np.zeros((2 * n, 2 * n))
    stated = SideDoubt(corners, root @ root.T, none, none, none).ends_u_mm()
    errors = rng.normal(0.0, 1.0, (40_000, 2 * n)) @ root.T
    ends = [(errors[:, :n] + sign * half * errors[:, n:]).std(axis=0) for sign in (-1.0, 1.0)]
    assert stated == pytest.approx(np.max(ends, axis=0), rel=0.02)
