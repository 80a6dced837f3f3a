"""The joint solve of one camera and all views of the sheet.

All flat sheets share one plane, the mat's plus the sheet's thickness; each has a place and an angle in it.
Each tilted sheet has a pose of its own. Every sheet bends a little. The first flat sheet is the mat frame.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from calibration.lens.bending import FIRST_MM, GROUP, LEAST_MM, MOST_MM, Bend, bend, opposite_ends, usual_lifts
from calibration.lens.blocks import Normal, normal
from calibration.lens.joint import OWN, POSE, SHARED, STRETCH, Bundle, Seen, foretold, points_sheet_mm, side_by_side
from calibration.lens.together import GROUPS, Smooth, along
from calibration.pinhole import Pinhole
from calibration.projection import PARAMETERS, lens_vector, mat_by_parameters
from calibration.robust import HUBER, MAD_TO_SD
from calibration.sheet.corners import SheetView

Floats = NDArray[np.float64]

# Standard deviations of zero-mean priors on k2, p1, p2, k3. A lens between the pinhole (0) and the
# equidistant one (its series in r: k1 -1/3, k2 1/5, k3 -1/7) has terms of this size; decentring is what
# cheap lenses are made to. They matter only where no corner was seen.
PRIOR_INDEX = (5, 6, 7, 8)
PRIOR_SD = (0.4, 0.003, 0.003, 0.15)

HELD_STRETCH = 1e-6  # prior of a stretch that is said to be known
STEPS = 40
DAMPING = 1e-11  # at first: lens and height are tied so closely that more would hold them back
MOST_DAMPING = 1e8
SETTLED = 0.05  # a relative gain in cost below this is little: each round of weighing anew takes a step, too
STEPS_A_ROUND = 1  # the weights change too little for more
HASTE = 2.0  # steps towards the likeliest lifts are short: so much longer they are taken until two tell how short
MOST_HASTE = 4.0  # and at most so much longer
ROUNDS = 12  # of weighing anew and solving again
WEIGHED = 0.04  # relative change of weights and usual lifts below which they are settled
STIFF_MM = 1e-6  # usual lift of a sheet that is said not to bend
SUREST = 1e-3  # no corners are better than this share of their stated uncertainty
SLIGHT_MM = 0.02  # usual lifts much below this are all the same
GROSS = 8.0  # standard deviations: a corner further off is none, but glare, a crease or a speck
ALIKE_PX = 0.02  # corners of a row err alike by so much where the pixels' own rows run along it: no lift is told surer
LOOSE_VIEW = 2.0  # a view that scatters by more than this, relative to all, is weighed by its own scatter


@dataclass(frozen=True, eq=False, slots=True)
class Solved:
    """The best bundle, its evidence, and the camera's covariance (15, 15) in the mat frame."""

    bundle: Bundle
    covariance: Floats
    residuals_px: tuple[Floats, ...]  # (N, 2) a view, flat ones first; seen minus foretold
    bends: tuple[Bend, ...]
    covered_mat_mm: Floats  # (N, 2) all corners of the flat sheets
    stretch_u: float  # by independent errors
    usual_lifts_mm: Floats  # (2, 2) of flat and of tilted sheets, at ends and at corners
    scatter_px: float  # of the corners, usual
    together: float  # variance of errors that are smooth over a view, over that of independent ones; at least 1
    gross: int  # corners that were left out, being grossly off


@dataclass(frozen=True, eq=False, slots=True)
class _Weights:
    """What decides how much each residual counts, and is itself found from the residuals."""

    scales: Floats  # (V,) by how much the corners' stated uncertainties are too small
    usual_mm: Floats  # (V, 2) usual lifts of that kind of view
    stretch_u: float
    corners: Floats  # (V, N) 1, or 0 for one that is grossly off
    together: Floats  # (3,) variances of errors that are smooth over a view, over those of independent ones, by order


@dataclass(frozen=True, eq=False, slots=True)
class _At:
    """A bundle, and what it foretells."""

    bundle: Bundle
    px: Floats
    slopes: Floats


@dataclass(frozen=True, eq=False, slots=True)
class _Now:
    """Where a solve has come to."""

    at: _At
    cost: float
    equations: Normal
    smooth: Smooth
    gain: float = 0.0  # of the last step, relative


def solve_bundle(
    start: Bundle,
    flat: Sequence[SheetView],
    tilted: Sequence[SheetView],
    stretch_u: float,
    along_share: float,
    bends: bool = True,
) -> Solved:
    """Refine lens, camera pose, sheets and their bending together (Huber loss, analytic slopes).

    In rounds: how large the corners' errors and the sheets' lifts really are is found from what the round before
    left, so that loss and priors are weighed rightly in the last.
    """
    seen = side_by_side([*flat, *tilted], along_share)
    kinds = np.repeat([0, 1], [len(flat), len(tilted)])
    first = np.full((len(kinds), 2), FIRST_MM if bends else STIFF_MM)
    ones = np.ones_like(seen.sure)
    weights = _Weights(np.full(len(kinds), 10.0), first, max(stretch_u, HELD_STRETCH), ones, np.ones(GROUPS))
    now = _settle(_at(start, seen), seen, weights, STEPS)
    shared, own = now.equations.covariance()
    step = taken = np.zeros_like(first)
    for number in range(ROUNDS):
        before, weights = weights, _weighed(weights, now, seen, kinds, own[:, POSE:, POSE:])
        step_before, step = step, np.log(weights.usual_mm / before.usual_mm)
        haste = _haste(step_before, taken, step) if number else 1.0
        usual = np.clip(before.usual_mm * np.exp(haste * step), LEAST_MM, MOST_MM)
        taken = np.log(usual / before.usual_mm)
        alike = now.smooth.likelier(before.together, now.equations, shared)
        weights = replace(weights, usual_mm=usual if bends else first, together=alike)
        now = _settle(now.at, seen, weights, STEPS_A_ROUND)
        shared, own = now.equations.covariance()
        if now.gain <= SETTLED and _settled(before, weights):
            break
    bundle, left = now.at.bundle, now.at.px - seen.px
    covered = np.concatenate(_flat_points_mm(bundle, seen))
    covariance = _in_frame(bundle.camera, covered, shared[:PARAMETERS, :PARAMETERS])
    scatter_px = float(np.median(weights.scales)) / float(np.median(seen.sure[seen.sure > 0]))
    return Solved(
        bundle,
        covariance,
        tuple(-r[:n] for r, n in zip(left, seen.counts, strict=True)),
        _bends(seen, bundle, own * max(1.0, ALIKE_PX / scatter_px) ** 2),
        covered,
        float(np.sqrt(max(shared[STRETCH, STRETCH], 0.0))),
        np.array([weights.usual_mm[0], weights.usual_mm[-1]]),
        scatter_px,
        float(weights.together.max()),
        int(np.sum(weights.corners == 0.0)),
    )


def _haste(before: Floats, taken: Floats, now: Floats) -> Floats:
    """How much longer than it is to take a step: one `taken` changed the steps `before` to `now` (secant rule)."""
    shorter = (before - now) / np.where(taken == 0.0, 1.0, taken)
    return np.where(shorter > 0.0, np.clip(1.0 / np.maximum(shorter, 1e-9), 1.0, MOST_HASTE), HASTE)


def _at(bundle: Bundle, seen: Seen) -> _At:
    return _At(bundle, *foretold(bundle, seen))


def _settle(at: _At, seen: Seen, weights: _Weights, steps: int) -> _Now:
    """The best bundle for these weights (Levenberg and Marquardt's damping), or as near as some steps come to it."""
    damping = DAMPING
    now, taken, held = _weigh(at, seen, weights), 0, False
    while taken < steps and damping < MOST_DAMPING:
        tried = _weigh(_at(now.at.bundle.moved(*now.equations.step(damping)), seen), seen, weights)
        if not tried.cost <= now.cost:  # also where it is not a number
            damping, held = max(damping * 100.0, 1e-6), True
            continue
        gain = now.cost - tried.cost
        now, taken = replace(tried, gain=gain / max(tried.cost, 1e-300)), taken + 1
        if now.gain <= SETTLED and damping < 1e-6:  # a short step gains little anywhere
            break
        damping, held = damping if held else max(damping * 0.01, DAMPING), False
    return now


def _weigh(at: _At, seen: Seen, weights: _Weights) -> _Now:
    """Cost and normal equations of a bundle, priors included."""
    left = at.px - seen.px
    sure = (weights.corners * seen.sure / weights.scales[:, None])[..., None]
    size = np.abs(left * sure)
    pull = sure * np.sqrt(HUBER / np.maximum(size, HUBER))  # Huber's modified weights: "Robust Statistics", 7.8
    cost = np.sum(np.where(size <= HUBER, 0.5 * size**2, HUBER * (size - 0.5 * HUBER)))
    count = len(left)
    slopes, residuals = at.slopes * pull[..., None], left * pull
    part = along(seen.smooth, slopes, residuals)
    spared, cost_spared = part.spared(weights.together, SHARED)
    equations = normal(slopes.reshape(count, -1, SHARED + OWN), residuals.reshape(count, -1), SHARED).less(spared)
    return _Now(at, float(cost - cost_spared + _add_priors(equations, at.bundle, weights)), equations, part)


def _add_priors(equations: Normal, bundle: Bundle, weights: _Weights) -> float:
    """Put the priors on distortion, stretch and lifts into the equations; their cost."""
    shared = np.array([*lens_vector(bundle.camera.lens)[list(PRIOR_INDEX)], bundle.stretch])
    at, information = [*PRIOR_INDEX, STRETCH], 1.0 / np.array([*PRIOR_SD, weights.stretch_u]) ** 2
    equations.shared[at, at] += information
    equations.pull_shared[at] -= information * shared
    flatness = 1.0 / weights.usual_mm[:, GROUP] ** 2
    np.einsum("vww->vw", equations.own)[:, POSE:] += flatness  # a view of the diagonals
    equations.pull_own[:, POSE:] -= flatness * bundle.lifts_mm
    return float(0.5 * np.sum(information * shared**2) + 0.5 * np.sum(flatness * bundle.lifts_mm**2))


def _weighed(weights: _Weights, now: _Now, seen: Seen, kinds: NDArray[np.int64], variances: Floats) -> _Weights:
    """The weights that residuals and lifts speak for; `variances` (V, 8, 8) are the lifts'."""
    spread = np.diagonal(variances, axis1=1, axis2=2)
    usual = usual_lifts(now.at.bundle.lifts_mm, spread, weights.usual_mm, kinds)
    told = np.sum(np.clip(1.0 - spread / weights.usual_mm[:, GROUP] ** 2, 0.0, 1.0))
    counts = seen.counts
    unknowns = PARAMETERS + 3 * (np.sum(kinds == 0) - 1) + POSE * np.sum(kinds == 1) + told
    freedom = np.sqrt(2 * counts.sum() / max(2 * counts.sum() - unknowns, 1.0))
    sizes = np.abs((now.at.px - seen.px) * seen.sure[..., None]).reshape(len(kinds), -1)
    there = np.repeat(seen.sure > 0, 2, axis=1)
    own = _deviations(np.where(there, sizes, np.inf), 2 * counts)
    scales = np.maximum(_deviations(sizes[there][None], 2 * counts.sum()), own / LOOSE_VIEW) * freedom
    furthest = sizes.reshape(*seen.sure.shape, 2).max(axis=2) / scales[:, None]
    return replace(weights, usual_mm=usual, scales=scales, corners=(furthest <= GROSS).astype(float))


def _deviations(sizes: Floats, counts: NDArray[np.int64]) -> Floats:
    """Standard deviations by medians of the `counts` smallest of each row: the few bad ones do not matter."""
    ordered, rows = np.sort(sizes, axis=1), np.arange(len(sizes))
    medians = (ordered[rows, (counts - 1) // 2] + ordered[rows, counts // 2]) / 2.0
    return np.asarray(np.maximum(MAD_TO_SD * medians, SUREST))


def _settled(before: _Weights, after: _Weights) -> bool:
    scales = np.abs(np.log(after.scales / before.scales)).max()
    lifts = np.abs(after.usual_mm - before.usual_mm) / (after.usual_mm + SLIGHT_MM)
    alike = np.abs(np.log(after.together / before.together)).max()
    changed = max(scales, alike, lifts.max())
    return bool(changed < WEIGHED and np.array_equal(before.corners, after.corners))


def _bends(seen: Seen, bundle: Bundle, own: Floats) -> tuple[Bend, ...]:
    opposite = opposite_ends(seen.extent)
    return tuple(
        bend(made[:n], opposite, lifts, covariance[POSE:, POSE:])
        for made, n, lifts, covariance in zip(seen.shapes, seen.counts, bundle.lifts_mm, own, strict=True)
    )


def _flat_points_mm(bundle: Bundle, seen: Seen) -> list[Floats]:
    """Where the corners of each flat sheet lie in the mat, (N, 2)."""
    points = []
    for (x, y, angle), sheet, n in zip(bundle.flat_places, points_sheet_mm(bundle, seen), seen.counts, strict=False):
        c, s = np.cos(angle), np.sin(angle)
        points.append(sheet[:n, :2] @ np.array([[c, s], [-s, c]]) + [x, y])
    return points


def _in_frame(camera: Pinhole, covered_mat_mm: Floats, covariance: Floats) -> Floats:
    """The camera's (15, 15) covariance, without that of the frame itself.

    The mat frame is that of the first sheet, but a frame is a convention and no error: the rigid motion in
    the mat's plane that the first sheet's corners leave open is taken out (an S-transformation: W. Baarda,
    "S-transformations and criterion matrices", 1973), by the corners of all flat sheets.
    """
    keep = frame_removed(camera, covered_mat_mm)
    return np.asarray(keep @ covariance @ keep.T)


def frame_removed(camera: Pinhole, points_mat_mm: Floats) -> Floats:
    """(15, 15) projection that takes out of a parameter error the rigid motion it means for these points."""
    by_parameters = mat_by_parameters(camera, points_mat_mm).reshape(-1, PARAMETERS)
    x, y = points_mat_mm.T
    rigid = np.zeros((2 * len(points_mat_mm), 3))
    rigid[0::2, 0] = rigid[1::2, 1] = 1.0
    rigid[0::2, 2], rigid[1::2, 2] = -y, x
    motion = np.linalg.solve(rigid.T @ rigid, rigid.T @ by_parameters)  # (3, 15)
    undo = np.zeros((PARAMETERS, 3))  # parameters that move all mat points by x, by y, by a turn
    undo[12:15, :2] = -camera.rotation[:, :2]
    undo[9:12, 2] = -camera.rotation[:, 2]
    return np.asarray(np.eye(PARAMETERS) - undo @ motion)
