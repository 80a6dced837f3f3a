"""The joint solve's parts against finite differences, a dense solve and closed forms. Everything is generated."""

from __future__ import annotations

import numpy as np
import pytest

from calibration.lens.bending import LEAST_MM, Extent, bend, opposite_ends, shapes, usual_lifts
from calibration.lens.blocks import normal
from calibration.lens.joint import LIFTS, OWN, POSE, SHARED, STRETCH, Bundle, foretold, side_by_side
from calibration.lens.together import GROUPS, along, smooth
from calibration.pinhole import Lens, Pinhole
from calibration.projection import turn
from tests.measure.camera_rigs import Kind, draw_rig

SQUARE = Extent(np.array([120.0, 90.0]), np.array([90.0, 60.0]))


def some_bundle() -> tuple[Bundle, object]:
    rng = np.random.default_rng(3)
    rig = draw_rig(rng, Kind(views=(3, 2)))
    lens = Lens((1920, 1080), (1900.0, 1890.0), (950.0, 555.0), (-0.2, 0.05, 1e-3, -5e-4, 0.01))
    rotation = turn(np.array([0.1, -0.07, 0.4])) @ np.diag([1.0, -1.0, -1.0])
    camera = Pinhole(lens, rotation, -rotation @ np.array([400.0, 300.0, 1100.0]))
    places = np.array([[0.0, 0.0, 0.0], [300.0, 20.0, 1.1], [-40.0, 310.0, -2.0]])
    poses = np.array([turn(rng.normal(0, 0.3, 3)) @ rotation for _ in range(2)])
    shifts = np.array([[30.0, -10.0, 950.0], [-90.0, 60.0, 1010.0]])
    lifts = rng.normal(0, 0.3, (5, 8))
    return Bundle(camera, places, poses, shifts, 0.1, lifts, 0.004), side_by_side([*rig.flat, *rig.tilted], 0.3)


@pytest.mark.parametrize("unknown", range(SHARED + OWN))
def test_slopes_are_those_of_finite_differences(unknown):
    bundle, seen = some_bundle()
    size = 1e-6 if unknown in (*range(4, 12), STRETCH) else 1e-4

    def moved(step):
        shared, own = np.zeros(SHARED), np.zeros((5, OWN))
        if unknown < SHARED:
            shared[unknown] = step
        else:
            own[1:, unknown - SHARED] = step  # the first sheet is the frame
            own[:3, 3:POSE] = 0.0  # a flat sheet has but three
        return foretold(bundle.moved(shared, own), seen)[0]

    by_differences = (moved(size) - moved(-size)) / (2 * size)
    slopes = foretold(bundle, seen)[1][..., unknown]
    if unknown in range(LIFTS.start, LIFTS.stop):
        slopes = slopes.copy()
        slopes[0] = 0.0
    there = seen.sure > 0
    assert by_differences[there] == pytest.approx(slopes[there], rel=1e-5, abs=1e-5 * np.abs(slopes).max() + 1e-9)


def test_views_eliminated_first_give_the_step_and_covariance_of_the_dense_problem():
    rng = np.random.default_rng(0)
    slopes, residuals = rng.normal(size=(4, 30, 5 + 3)), rng.normal(size=(4, 30))
    dense = np.zeros((120, 5 + 12))
    for v in range(4):
        dense[30 * v : 30 * v + 30, :5] = slopes[v, :, :5]
        dense[30 * v : 30 * v + 30, 5 + 3 * v : 8 + 3 * v] = slopes[v, :, 5:]
    equations = normal(slopes, residuals, 5)
    shared, own = equations.step(0.0)
    best = -np.linalg.lstsq(dense, residuals.ravel(), rcond=None)[0]
    assert np.concatenate([shared, own.ravel()]) == pytest.approx(best, abs=1e-10)
    covariance, own_covariance = equations.covariance()
    all_of_it = np.linalg.inv(dense.T @ dense)
    assert covariance == pytest.approx(all_of_it[:5, :5], abs=1e-10)
    assert own_covariance[2] == pytest.approx(all_of_it[11:14, 11:14], abs=1e-10)


def test_what_a_sheet_rests_on_has_no_height_and_its_ends_have_all():
    at = np.array([[120.0, 90.0], [210.0, 90.0], [30.0, 90.0], [120.0, 150.0], [120.0, 30.0], [210.0, 150.0]])
    made = shapes(at, SQUARE)
    assert made[0] == pytest.approx(np.zeros(8))
    assert made[1:5, :4] == pytest.approx(np.eye(4))  # right, left, upper, lower end
    assert made[5, 4] == pytest.approx(1.0)  # the upper right corner


def test_a_lift_is_the_greatest_difference_of_height():
    made = shapes(np.array([[120.0, 90.0], [210.0, 90.0], [165.0, 90.0]]), SQUARE)
    opposite = opposite_ends(SQUARE)
    found = bend(made, opposite, np.array([0.4, 0, 0, 0, 0, 0, 0, 0.0]), np.diag([0.01**2] * 8))
    assert found.lift_mm == pytest.approx(0.4)
    # by the end's own shape and those of two corners, a quarter each
    assert found.u_mm == pytest.approx(0.01 * np.sqrt(1 + 2 / 16))
    assert found.curled
    assert not bend(made, opposite, np.full(8, 0.1) * [1, 0, 0, 0, 0, 0, 0, 0], np.zeros((8, 8))).curled


def test_usual_lifts_are_those_that_lifts_were_drawn_from():
    """Known lifts of two sizes, no doubt of them: 40 views have some 160 of each, so a tenth is 2 standard errors."""
    rng = np.random.default_rng(1)
    usual = np.array([0.3] * 4 + [0.1] * 4)
    found = usual_lifts(rng.normal(0, usual, (40, 8)), np.zeros((40, 8)), np.full((40, 2), 0.1), np.repeat([0, 1], 20))
    assert found == pytest.approx(np.tile([0.3, 0.1], (40, 1)), rel=0.2)


def test_usual_lifts_of_flat_sheets_come_to_rest_at_the_flattest():
    """What is found is noise of 0.05 mm alone, and is known to be so: the prior shrinks round by round."""
    rng = np.random.default_rng(2)
    noise, kinds, usual = rng.normal(0, 0.05, (15, 8)), np.repeat([0, 1], [9, 6]), np.full((15, 2), 0.1)
    for _ in range(60):
        trust = 1 / (1 + (0.05 / usual.repeat(4, axis=1)) ** 2)
        usual = usual_lifts(noise * trust, trust * 0.05**2, usual, kinds)
    assert usual.max() < 5 * LEAST_MM


def drawn(rng, share):
    """Errors (30, 48, 2) of variance 1 on 8 x 6 places (48, 2), a share of it smooth, of second order at most."""
    x, y = np.meshgrid(np.linspace(-1, 1, 8), np.linspace(-1, 1, 6))
    u, v = x.ravel(), y.ravel()
    terms = np.linalg.qr(np.stack([np.ones_like(u), u, v, u * u, u * v, v * v], axis=-1))[0]
    errors = np.sqrt(1 - share) * rng.normal(size=(30, 48, 2))
    return np.column_stack([u, v]), errors + np.sqrt(share) * terms @ rng.normal(0, np.sqrt(48 / 6), (30, 6, 2))


@pytest.mark.parametrize("share", [0.0, 0.5])
def test_errors_that_are_smooth_over_a_view_are_told_from_independent_ones(share):
    """30 views of 48 corners and hardly any unknowns. Half of the variance in 12 of 96 dimensions makes these
    (0.5 + 0.5 * 96 / 12) / 0.5 = 9 times as large as independent ones; what is of third order is none."""
    places, errors = drawn(np.random.default_rng(4), share)
    slopes = 1e-6 * np.random.default_rng(5).normal(size=(30, 48, 2, 3))
    unit = np.sqrt(1 - share)
    part = along(smooth(np.tile(places, (30, 1, 1)), np.ones((30, 48), bool)), slopes / unit, errors / unit)
    ratios = np.ones(GROUPS)
    for _ in range(5):
        equations = normal(slopes.reshape(30, 96, 3), errors.reshape(30, 96), 2)
        equations.own[:] += np.eye(1)
        equations.shared[:] += np.eye(2)
        ratios = part.likelier(ratios, equations, np.eye(2))
    assert ratios == pytest.approx([9, 9, 1] if share else [1, 1, 1], rel=0.25)


def test_equations_less_what_is_smooth_are_those_of_the_errors_whole_covariance():
    """Generalised least squares, written out: errors of covariance 1 + B (ratios - 1) B'."""
    rng = np.random.default_rng(6)
    places, errors = drawn(rng, 0.3)
    slopes, ratios = rng.normal(size=(30, 48, 2, 5)), np.array([7.0, 3.0, 2.0])
    columns = smooth(np.tile(places, (30, 1, 1)), np.ones((30, 48), bool))
    spared, cost = along(columns, slopes, errors).spared(ratios, 2)
    found = normal(slopes.reshape(30, 96, 5), errors.reshape(30, 96), 2).less(spared)
    variances = np.repeat(ratios - 1, [3, 3, 4])
    whole = np.eye(48) + columns[0] * variances @ columns[0].T
    weighed = np.linalg.solve(whole, slopes.transpose(0, 2, 1, 3).reshape(30, 2, 48, 5))
    normal_matrix = np.einsum("vxni,vxnj->vij", slopes.transpose(0, 2, 1, 3), weighed)
    assert found.own == pytest.approx(normal_matrix[:, 2:, 2:])
    assert found.mixed == pytest.approx(normal_matrix[:, 2:, :2])
    assert found.shared == pytest.approx(normal_matrix[:, :2, :2].sum(axis=0))
    assert found.pull_own == pytest.approx(-np.einsum("vxni,vnx->vi", weighed, errors)[:, 2:])
    squares = np.einsum("vnx,vxn->", errors, np.linalg.solve(whole, errors.transpose(0, 2, 1)[..., None])[..., 0])
    assert 0.5 * np.sum(errors**2) - cost == pytest.approx(0.5 * squares)
