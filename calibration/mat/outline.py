"""The straight borders of a mat against whatever lies around it.

Roughly on a flat map: from the middle outwards, the first place where light or colour steps along most of a
line. Then by profiles of the picture itself across the border, in linear light, half way between both levels,
and a robust straight line through them.
"""

from __future__ import annotations

from dataclasses import dataclass

import cv2
import numpy as np
from numpy.typing import NDArray

from calibration.mat.flatmap import FlatMap, Plane, laid_flat, seen_px
from calibration.mat.inplane import turn_matrix
from calibration.pinhole import Pinhole
from calibration.robust import MAD_TO_SD

Floats = NDArray[np.float64]

CELL_MM = 1.0
TRIALS = 6  # to either side, on each of three scales
THIN = 5  # cells: lines thinner than half of this are not seen on the rough map
GAP, BAND = 2, 7  # cells: levels are read this far to this far from a border
CLEARLY = 8.0  # times the unevenness of the mat itself
LEAST = 0.012  # of the square root of light: fainter steps are nobody's border
EVERY = 3  # which row is enough for the rough map
SEEN = 0.5  # a line is judged where this share of it is in view
SIDES = ("left", "right", "near", "far")
PROFILE_MM, STEP_MM = 4.0, 0.1
ALONG_MM = 3.0
CLEAR_MM = 12.0  # from corners
FEWEST = 20
LEAST_STEP = 0.3  # of the usual one: what lies around may be streaked
HUBER = 1.5


@dataclass(frozen=True, slots=True)
class Border:
    """A straight border in turned axes: across = at_mm + slope * (along - middle_mm)."""

    at_mm: float
    slope: float
    middle_mm: float  # along it
    u_mm: float  # of `at_mm`
    u_slope: float
    length_mm: float  # along which it was seen


def direction(flat: FlatMap) -> float:
    """Which way most straight edges go, modulo a quarter turn, within 45 degrees of the map's own axes (rad).

    Roughly by the gradient's angle times four, weighted by its strength: a border and lines at right angles
    agree. Then by trial: sums along straight edges have the sharpest steps.
    """
    grey = cv2.resize(_bright(flat.light), None, fx=0.5, fy=0.5, interpolation=cv2.INTER_AREA)
    hidden = np.isnan(grey)
    grey = np.asarray(np.where(hidden, 0.0, grey), np.float32)
    dx, dy = (np.asarray(cv2.Scharr(grey, cv2.CV_32F, *order), np.float32) for order in ((1, 0), (0, 1)))
    clear = cv2.dilate(hidden.astype(np.uint8), np.ones((7, 7), np.uint8)) == 0
    dx[~clear], dy[~clear] = 0.0, 0.0
    spun = np.asarray((dx[clear] + 1j * dy[clear]) ** 4 / np.maximum(np.hypot(dx, dy)[clear], 1e-9) ** 3)
    rough = float(np.angle(spun.sum()) / 4)
    for step in (0.01, 0.002, 0.0004):
        tried = rough + step * np.arange(-TRIALS, TRIALS + 1)
        rough = float(tried[int(np.argmax([_sharpness(dx, dy, turn) for turn in tried]))])
    return rough


def _bright(light: Plane) -> Plane:
    return np.asarray(np.sqrt(np.clip(light, 0.0, None)).mean(axis=2), np.float32)


def _sharpness(dx: Plane, dy: Plane, turn_rad: float) -> float:
    """How unevenly the slopes add up along turned axes."""
    c, s = np.cos(turn_rad), np.sin(turn_rad)
    h, w = dx.shape
    about = np.array([[c, -s, (w - c * w + s * h) / 2], [s, c, (h - s * w - c * h) / 2]])
    flags = cv2.INTER_LINEAR | cv2.WARP_INVERSE_MAP
    across = cv2.warpAffine(np.asarray(c * dx + s * dy, np.float32), about, (w, h), flags=flags).sum(axis=0)
    upwards = cv2.warpAffine(np.asarray(c * dy - s * dx, np.float32), about, (w, h), flags=flags).sum(axis=1)
    return float(np.sum(across**2) + np.sum(upwards**2))


def rough_borders(flat: FlatMap, middle_mm: Floats) -> dict[str, float]:
    """Where borders are, mm in the map's axes, by name; those out of view are missing. `middle_mm`: on the mat."""
    plain = _without_thin(flat.light)
    found: dict[str, float] = {}
    rows, columns = (0, plain.shape[0]), (0, plain.shape[1])
    for _ in range(2):  # the second time along the mat alone
        found = {}
        for axis, names, reach in ((1, SIDES[:2], rows), (0, SIDES[2:], columns)):
            steps = _steps(plain if axis == 1 else plain.transpose(1, 0, 2), reach)
            first = flat.first_mm[0 if axis == 1 else 1]
            middle = int((middle_mm[0 if axis == 1 else 1] - first) / flat.pitch_mm)
            for name, outwards in zip(names, (-1, 1), strict=True):
                cell = _first_step(steps, middle, outwards)
                if cell is not None:
                    found[name] = first + flat.pitch_mm * cell
        columns = _reach(found, SIDES[:2], flat.first_mm[0], plain.shape[1])
        rows = _reach(found, SIDES[2:], flat.first_mm[1], plain.shape[0])
    return found


def _reach(found: dict[str, float], names: tuple[str, ...], first_mm: float, count: int) -> tuple[int, int]:
    low, high = (found.get(name) for name in names)
    return (
        0 if low is None else int((low - first_mm) / CELL_MM) + BAND,
        count if high is None else int((high - first_mm) / CELL_MM) - BAND,
    )


def _without_thin(light: Plane) -> Plane:
    """Printed lines taken out (median, on encoded-like brightness so that dark steps count as much as light ones)."""
    hidden = ~np.isfinite(light)
    root = np.sqrt(np.clip(np.nan_to_num(light), 0.0, None))
    smooth: Plane = np.stack(
        [
            np.asarray(cv2.medianBlur(np.ascontiguousarray(root[..., k]), THIN), np.float32)
            for k in range(root.shape[2])
        ],
        axis=-1,
    )
    smooth[hidden] = np.nan
    return smooth


def _steps(plain: Plane, rows: tuple[int, int]) -> Floats:
    """(columns,) how strongly the levels left and right of each column differ along most of the rows; NaN unseen."""
    part = plain[max(rows[0], 0) : max(rows[1], 1) : EVERY]
    width = part.shape[1]
    sums = np.cumsum(np.pad(np.nan_to_num(part), ((0, 0), (1, 0), (0, 0))), axis=1, dtype=np.float64)
    bad = np.cumsum(np.pad(np.isnan(part[..., 0]), ((0, 0), (1, 0))), axis=1)
    steps = np.full(width, np.nan)
    size = BAND - GAP
    for x in range(BAND + 1, width - BAND - 1):
        spans = (x - BAND, x - GAP), (x + GAP + 1, x + BAND + 1)
        seen = sum(bad[:, b] - bad[:, a] for a, b in spans) == 0
        if seen.mean() > SEEN:
            levels = [(sums[seen, b] - sums[seen, a]) / size for a, b in spans]
            steps[x] = float(np.linalg.norm(np.median(levels[1] - levels[0], axis=0)))
    return steps


def _first_step(steps: Floats, middle: int, outwards: int) -> int | None:
    """The first column from the middle outwards with a step as strong as a border's."""
    side = steps[middle::outwards] if outwards > 0 else steps[middle::-1]
    if not np.isfinite(side).any():
        return None
    inside = side[: max(len(side) // 3, 10)]
    least = max(CLEARLY * float(np.nanmedian(inside)), LEAST)
    strong = np.nonzero(np.nan_to_num(side) >= least)[0]
    if not len(strong):
        return None
    stop = min(strong[0] + 2 * GAP + 4, len(side))
    return middle + outwards * int(strong[0] + np.nanargmax(side[strong[0] : stop]))


def measured_border(
    light: Plane, camera: Pinhole, turn_rad: float, name: str, at_mm: float, reach_mm: tuple[float, float]
) -> Border | None:
    """The border by profiles of the picture (h, w, channels) across it, between two ends along it; None if unsure."""
    along = np.arange(reach_mm[0] + CLEAR_MM, reach_mm[1] - CLEAR_MM, ALONG_MM)
    if len(along) < FEWEST:
        return None
    across = np.arange(-PROFILE_MM, PROFILE_MM + STEP_MM / 2, STEP_MM)
    own = np.empty((len(along), len(across), 2))
    k = 0 if name in SIDES[:2] else 1
    own[..., k], own[..., 1 - k] = at_mm + across, along[:, None]
    px = seen_px(camera, own @ turn_matrix(turn_rad).T).astype(np.float32)
    profiles = np.stack(
        [
            cv2.remap(np.ascontiguousarray(light[..., c]), px[..., 0], px[..., 1], cv2.INTER_LINEAR, borderValue=np.nan)
            for c in range(light.shape[2])
        ],
        axis=-1,
    )
    places = _half_way(profiles.astype(float), across)
    known = np.isfinite(places)
    return _line(along[known], at_mm + places[known]) if known.sum() >= FEWEST else None


def _half_way(profiles: Floats, across: Floats) -> Floats:
    """(N,) where each profile is half way between its ends' levels; NaN where it is not a step like the others."""
    ends = len(across) // 5
    low, high = profiles[:, :ends].mean(axis=1), profiles[:, -ends:].mean(axis=1)
    step = np.nanmedian(high - low, axis=0)
    weight = step / max(float(step @ step), 1e-12)  # the colours that tell, in one number: 0 inside, 1 outside
    value = (profiles - low[:, None]) @ weight
    size = (high - low) @ weight
    good = np.isfinite(size) & (size > LEAST_STEP)
    height = value / np.where(good, size, np.nan)[:, None]
    smooth = cv2.blur(height, (3, 7))  # neighbours, and half a pixel of the profile
    above = smooth >= 0.5
    crossing = above[:, 1:] & ~above[:, :-1]
    at = np.argmin(np.where(crossing, np.abs(across[1:])[None, :], np.inf), axis=1)
    row = np.arange(len(at))
    a, b = smooth[row, at], smooth[row, at + 1]
    with np.errstate(invalid="ignore", divide="ignore"):
        place = across[at] + STEP_MM * (0.5 - a) / (b - a)
    return np.asarray(np.where(crossing.any(axis=1), place, np.nan))


def _line(along: Floats, at: Floats) -> Border | None:
    """A straight line by Huber's weights; scatter counts as if three neighbours were one (they share pixels)."""
    middle = float(along.mean())
    design = np.column_stack([np.ones_like(along), along - middle])
    weights = np.ones_like(along)
    for _ in range(20):
        normal = (design * weights[:, None]).T @ design
        fit = np.linalg.solve(normal, design.T @ (weights * at))
        miss = np.abs(at - design @ fit)
        scale = MAD_TO_SD * float(np.median(miss)) + 1e-3
        weights = np.minimum(1.0, HUBER * scale / np.maximum(miss, 1e-9))
    if np.mean(miss < 4.0 * scale) < 0.6:
        return None
    u = scale * np.sqrt(3.0 * np.diag(np.linalg.inv(normal)))
    return Border(float(fit[0]), float(fit[1]), middle, float(u[0]), float(u[1]), float(np.ptp(along)))


def flat_view(
    light: Plane, camera: Pinhole, box_mm: tuple[float, ...], turn_rad: float, lit_mm: Floats | None = None
) -> FlatMap:
    """The rough map that the functions above read, nothing of it seen outside of the outline `lit_mm` (M, 2).

    The rim of a projector's light on the table would be the strongest border of all.
    """
    flat = laid_flat(light, camera, box_mm, turn_rad, CELL_MM)
    if lit_mm is not None and len(lit_mm) >= 3:
        cells = (lit_mm @ turn_matrix(turn_rad) - np.array(flat.first_mm)) / flat.pitch_mm
        lit = np.zeros(flat.light.shape[:2], np.uint8)
        cv2.fillPoly(lit, [np.rint(cells).astype(np.int32)], 1)
        flat.light[cv2.erode(lit, np.ones((2 * BAND + 1,) * 2, np.uint8)) == 0] = np.nan
    return flat
