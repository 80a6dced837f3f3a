"""Figures against limits: how errors hang together, and the risk of a verdict, by drawing them."""

from __future__ import annotations

import math
from dataclasses import replace

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from numpy.typing import NDArray
from scipy.stats import multivariate_normal, norm
from shapely import Polygon
from shapely.affinity import affine_transform

from tests.vision.drawn import (
    HALVES,
    OBLONG,
    ODD,
    SLANT,
    TRIANGLE,
    changed,
    doubt_about,
    errors,
    laid,
    measured,
    unit_with,
    with_sides_changed,
)
from vision.comparing.compare import best_fit, judge
from vision.comparing.expected import ExpectedShape, Tolerance
from vision.comparing.figures import (
    GUARD,
    RISK,
    Figure,
    box_probability,
    figures_of,
    offsets_u_mm,
    worst_corner_parts_mm,
)
from vision.comparing.rigidfit import fit_slopes
from vision.polygons import interior_angles
from vision.seams.place import placed_seams
from vision.units import MeasuredUnit, Seam, Verdict

Floats = NDArray[np.float64]
SHAPES = {shape.name: shape for shape in (OBLONG, SLANT, TRIANGLE, ODD)}
PLACE = (0.7, np.array([310.0, 190.0]))
LIMIT_MM = Tolerance().width_mm


def offsets_of(corners: Floats, shape: ExpectedShape) -> Floats:
    fit = best_fit(unit_with(corners, doubt_about(corners)), shape)
    assert fit is not None
    return np.roll(fit.offsets_mm, -fit.roll)


@pytest.mark.parametrize("name", SHAPES)
def test_the_fits_slopes_are_those_of_an_outline_whose_sides_are_moved(name: str) -> None:
    corners, step = laid(SHAPES[name].corners_mm, *PLACE), 1e-4
    n = len(corners)
    numerical = np.array(
        [
            (offsets_of(with_sides_changed(corners, one), SHAPES[name]) - offsets_of(corners, SHAPES[name])) / step
            for one in np.eye(2 * n) * step
        ]
    ).T
    assert fit_slopes(corners).offsets == pytest.approx(numerical, abs=2e-3 * n)


def test_what_moves_the_whole_unit_is_no_doubt_of_its_offsets() -> None:
    corners = laid(OBLONG.corners_mm, *PLACE)
    sure = unit_with(corners, doubt_about(corners, shift_u_mm=0.0, scale_u=0.0))
    shifted = unit_with(corners, doubt_about(corners, shift_u_mm=0.5, scale_u=0.0))
    assert offsets_u_mm(shifted) == pytest.approx(offsets_u_mm(sure), rel=1e-6)
    # By hand: of two opposite sides that err by 0.02 each, both offsets are half their sum.
    assert offsets_u_mm(sure) == pytest.approx(np.full(4, 0.02 / math.sqrt(2.0)), rel=1e-6)
    assert judge(shifted, [OBLONG]).offsets_u_mm == pytest.approx(offsets_u_mm(sure), rel=1e-6)


@pytest.mark.parametrize("name", SHAPES)
def test_stated_uncertainty_of_the_offsets_is_the_spread_of_repeated_measurements(name: str) -> None:
    shape, rng, times = SHAPES[name], np.random.default_rng(3), 200
    true = laid(shape.corners_mm, *PLACE)
    doubt = doubt_about(true, u_mm=0.05)
    units = [unit_with(with_sides_changed(true, error), doubt) for error in errors(doubt, rng, times)]
    z = np.array([offsets_of(unit.corners_mat_mm, shape) / offsets_u_mm(unit) for unit in units])
    # The offsets of a unit hang together: a triangle has one degree of freedom in them, at least.
    assert abs(float(np.mean(z**2)) - 1.0) < 4.0 * math.sqrt(2.0 / times)


def test_stated_uncertainty_of_a_seam_leaves_out_what_moves_it_with_the_sides() -> None:
    # The rig's shift and the scale take the seam along; its own error and that of the laid shape remain.
    rng, times, z = np.random.default_rng(6), 200, []
    doubt = doubt_about(HALVES.corners_mm, u_mm=0.05, shift_u_mm=0.3, scale_u=2e-3)
    middle = HALVES.corners_mm.mean(axis=0)
    for _ in range(times):
        own, shift, scale = rng.normal(size=8), rng.normal(size=2) * 0.3, 1.0 + 2e-3 * rng.normal()
        corners = with_sides_changed(HALVES.corners_mm, own * np.sqrt(np.diag(doubt.repeatable)))
        left = np.array([-1.0, 1.0]) / math.sqrt(2.0) * 0.04 * rng.normal()
        corners, seam = ((p - middle) * scale + middle + shift for p in (corners, HALVES.seams_mm[0] + left))
        unit = unit_with(corners, doubt, (Seam(seam, 0.04),))
        fit = best_fit(unit, HALVES)
        assert fit is not None
        figures = figures_by_kind(unit)
        z.append(placed_seams(unit.seams, fit.seams_mat_mm)[0].offset_mm / figures["seam"][0].u)
    assert abs(float(np.mean(np.square(z))) - 1.0) < 4.0 * math.sqrt(2.0 / times)


def figures_by_kind(unit: MeasuredUnit) -> dict[str, list[Figure]]:
    fit = best_fit(unit, HALVES)
    assert fit is not None
    rolled = np.roll(unit.corners_mat_mm, fit.roll, axis=0)
    assert unit.doubt is not None
    turned = replace(unit, corners_mat_mm=rolled, doubt=unit.doubt.rolled(fit.roll))
    found: dict[str, list[Figure]] = {}
    for one in figures_of(turned, fit, placed_seams(unit.seams, fit.seams_mat_mm)).all:
        found.setdefault(one.kind, []).append(one)
    return found


def test_risk_of_the_guard_band() -> None:
    # ISO 14253-1:2017, default rule: 95 % on one side; ILAC-G8:09/2019: 2.275 % with 2 u, 50 % without a guard band.
    assert norm.cdf(-GUARD) == pytest.approx(RISK, abs=1e-4)
    assert box_probability(np.array([-GUARD]), np.array([0.0]) + 1e9, np.eye(1)) == pytest.approx(1.0)
    for guard, risk in ((0.0, 0.5), (1.66, 0.0485), (2.0, 0.02275), (3.0, 0.00135)):
        inside = box_probability(np.array([500.0 - guard]), np.array([500.0]), np.eye(1))
        assert 1.0 - inside == pytest.approx(risk, abs=5e-5)


@settings(deadline=None, max_examples=25)
@given(st.integers(0, 10_000), st.integers(2, 5))
def test_joint_probability_is_the_one_of_another_library(seed: int, k: int) -> None:
    # scipy.stats.multivariate_normal (Genz's algorithm), which knows full-rank boxes.
    rng = np.random.default_rng(seed)
    root = rng.normal(size=(k, k + 1))
    covariance = root @ root.T
    spread = np.sqrt(np.diag(covariance))
    correlation = covariance / np.outer(spread, spread)
    means, limits = rng.normal(size=k), rng.uniform(0.5, 3.0, size=k)
    theirs = multivariate_normal(means, correlation).cdf(limits, lower_limit=-limits)
    assert box_probability(means, limits, correlation) == pytest.approx(float(theirs), abs=3e-3)


def test_joint_probability_of_figures_that_are_one_and_of_figures_that_are_not() -> None:
    same, apart = np.ones((4, 4)), np.eye(4)
    means, limits = np.full(4, 0.5), np.full(4, 1.5)
    one = float(norm.cdf(1.0) - norm.cdf(-2.0))
    assert box_probability(means, limits, same) == pytest.approx(one, abs=1e-9)
    assert box_probability(means, limits, apart) == pytest.approx(one**4, abs=1e-3)


@pytest.mark.parametrize("side", ["over", "under"])
def test_false_fits_at_the_very_limit_are_no_more_than_the_risk(side: str) -> None:
    """True widths a hair outside: in 20 measurements one may be told to fit; of angles nothing is asked."""
    rng, times, u_mm = np.random.default_rng(11), 240, 0.08
    off = (LIMIT_MM + 1e-6) * (1.0 if side == "over" else -1.0)
    shape = replace_tolerance(OBLONG, Tolerance(LIMIT_MM, 1.0))
    true = laid(with_sides_changed(OBLONG.corners_mm, changed(4, off1=off)), *PLACE)
    verdicts = [judge(measured(true, rng, u_mm=u_mm), [shape]).verdict for _ in range(times)]
    beyond = Verdict.TRIM if side == "over" else Verdict.SHORT  # as often proven to be outside
    spread = 4.0 * math.sqrt(RISK * (1.0 - RISK) / times)
    assert verdicts.count(Verdict.FITS) / times < RISK + spread
    assert verdicts.count(beyond) / times == pytest.approx(RISK, abs=spread)
    assert verdicts.count(Verdict.CLOSE) / times == pytest.approx(1.0 - 2.0 * RISK, abs=2.0 * spread)


def replace_tolerance(shape: ExpectedShape, tolerance: Tolerance) -> ExpectedShape:
    return ExpectedShape(shape.name, shape.corners_mm, shape.seams_mm, shape.side_names, tolerance)


def test_as_many_are_close_and_as_sure_as_uncertainty_and_spread_of_the_units_predict() -> None:
    """Widths cut with a scatter of 0.5 mm: shares by integrating the normal distributions; probability as it comes."""
    rng, times, u_mm, cut_mm = np.random.default_rng(12), 250, 0.08, 0.5
    shape = replace_tolerance(OBLONG, Tolerance(LIMIT_MM, 1.0))
    true = rng.normal(size=times) * cut_mm
    judged = []
    for off in true:
        corners = laid(with_sides_changed(OBLONG.corners_mm, changed(4, off1=float(off))), *PLACE)
        judged.append(judge(measured(corners, rng, u_mm=u_mm, scale_u=0.0), [shape]))
    u = u_mm * math.sqrt(2.0)
    seen = math.hypot(cut_mm, u)
    reach = (LIMIT_MM - GUARD * u, LIMIT_MM + GUARD * u)
    close = 2.0 * float(norm.cdf(reach[1] / seen) - norm.cdf(reach[0] / seen))
    share = sum(one.verdict is Verdict.CLOSE for one in judged) / times
    assert share == pytest.approx(close, abs=4.0 * math.sqrt(close * (1.0 - close) / times))
    wrong = sum(one.verdict is Verdict.FITS and abs(off) > LIMIT_MM for one, off in zip(judged, true, strict=True))
    assert wrong / times < RISK
    told = np.array([one.fit_probability for one in judged])
    fits = np.abs(true) <= LIMIT_MM
    assert float(np.mean(told)) == pytest.approx(float(np.mean(fits)), abs=0.03)
    assert float(np.mean((told - fits) ** 2)) < 0.06  # Brier's score: 0.09 if all were told the mean


def sticks_out_mm2(shape: ExpectedShape, unit: MeasuredUnit, slack_mm: float) -> float:
    """Least area of the shape outside the outline, over many small motions of it."""
    outline = Polygon(unit.corners_mat_mm).buffer(slack_mm, join_style="mitre")
    fit = best_fit(unit, shape)
    assert fit is not None
    centre = fit.corners_mat_mm.mean(axis=0)
    plain = Polygon(fit.corners_mat_mm - centre)
    best = math.inf
    for turn in np.linspace(-0.03, 0.03, 61):
        c, s = math.cos(turn), math.sin(turn)
        for dx in np.linspace(-1.5, 1.5, 13):
            for dy in (-0.5, 0.0, 0.5):
                moved = affine_transform(plain, [c, -s, s, c, centre[0] + dx, centre[1] + dy])
                best = min(best, moved.difference(outline).area)
    return best


@pytest.mark.parametrize(
    ("change", "verdict"),
    [
        ({"turn1": 1.2, "off1": 0.3}, Verdict.TRIM),
        ({"turn1": 0.9, "off1": 0.7}, Verdict.TRIM),
        ({"turn1": 5.0, "off1": 0.0}, Verdict.SHORT),
        ({"turn1": 3.2, "turn3": 3.2}, Verdict.SHORT),
    ],
)
def test_a_wrong_angle_is_trimmed_where_the_shape_is_still_in_it(change: dict[str, float], verdict: Verdict) -> None:
    # Whether it is, another library tells: shapely, over a grid of small motions.
    corners = with_sides_changed(OBLONG.corners_mm, changed(4, **change))
    unit = unit_with(corners, doubt_about(corners, 0.005))
    judged = judge(unit, [OBLONG])
    assert judged.verdict is verdict, judged.why
    assert (sticks_out_mm2(OBLONG, unit, LIMIT_MM) < 0.05) == (verdict is Verdict.TRIM)


@pytest.mark.parametrize("name", SHAPES)
def test_parts_of_the_worst_corner_add_up(name: str) -> None:
    corners = laid(SHAPES[name].corners_mm, *PLACE)
    unit = unit_with(corners, doubt_about(corners))
    parts = worst_corner_parts_mm(unit)
    assert parts is not None
    assert math.hypot(*parts.values()) == pytest.approx(float(unit.corners_u_mm.max()), rel=1e-9)
    assert worst_corner_parts_mm(replace(unit, doubt=None)) is None


@settings(deadline=None, max_examples=30)
@given(st.floats(-math.pi, math.pi), st.floats(-500, 500), st.integers(0, 3), st.sampled_from(["oblong", "slant"]))
def test_a_rigid_motion_changes_nothing(turn_rad: float, x_mm: float, roll: int, name: str) -> None:
    true = with_sides_changed(SHAPES[name].corners_mm, changed(4, off1=0.6, turn0=0.2))
    moved = np.roll(laid(true, turn_rad, np.array([x_mm, 5.0])), roll, axis=0)
    a, b = (judge(unit_with(one, doubt_about(one)), [SHAPES[name]]) for one in (true, moved))
    assert (a.verdict, a.why) == (b.verdict, b.why) or name == "oblong"  # half a turn of it is another numbering
    assert a.verdict is b.verdict
    assert b.fit_probability == pytest.approx(a.fit_probability, abs=1e-3)
    assert sorted(np.abs(b.offsets_mm)) == pytest.approx(sorted(np.abs(a.offsets_mm)), abs=1e-6)


@pytest.mark.parametrize("name", SHAPES)
def test_mirrored_twice_is_itself(name: str) -> None:
    shape = replace_sides(SHAPES[name])
    twice = shape.mirrored().mirrored()
    assert twice.corners_mm == pytest.approx(shape.corners_mm)
    assert (twice.side_names, twice.side_tolerances_mm) == (shape.side_names, shape.side_tolerances_mm)
    once = shape.mirrored()
    assert interior_angles(once.corners_mm) == pytest.approx(np.roll(interior_angles(shape.corners_mm)[::-1], 1))
    lengths, mirrored = (np.hypot(*(np.roll(s.corners_mm, -1, axis=0) - s.corners_mm).T) for s in (shape, once))
    assert mirrored == pytest.approx(lengths[::-1])  # as the names are


def replace_sides(shape: ExpectedShape) -> ExpectedShape:
    n = len(shape.corners_mm)
    names = tuple(f"name {i}" for i in range(n))
    return ExpectedShape(shape.name, shape.corners_mm, shape.seams_mm, names, Tolerance(), tuple(map(float, range(n))))
