"""Solve the camera: its lens, and how it hangs over the mat, from views of the printed sheet."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from calibration.lens.beginning import FEWEST_VIEWS, CalibrationError, begin, check_count, check_places, folds
from calibration.lens.bending import MOST_ARCH_MM, Bend
from calibration.lens.bundle import HELD_STRETCH, Solved, solve_bundle
from calibration.mat.inplane import device_in_plane, rigid
from calibration.pinhole import Pinhole
from calibration.rig import Device
from calibration.scale import EXACT, UNREAD, SheetScale
from calibration.sheet.corners import Refused, SheetView

__all__ = ["SHEET_THICKNESS_MM", "CalibrationError", "CameraSolution", "ViewFit", "solve_camera"]

Floats = NDArray[np.float64]

SHEET_THICKNESS_MM = 0.1  # copy paper of 80 g/m2
VAGUE_FOCAL = 0.02  # a focal length less sure than this makes heights meaningless
POOR_VIEW = 2.5  # times the median view's residual
HARMLESS_PX = 0.03  # corners are hardly ever better than this: such a view is weighed, not left out
MOST_POOR = 0.2  # share of views that may be left out for being poor: more of them are not the exception
WORST = 0.8  # curled views are left out together with the worst of them when they lift this much of it
TOLD = 1.5  # corner errors that are smooth over a view are told where variances grow by more than this
MISFIT = 4.0  # standard deviations by which the squares may differ from what the bars say
WORTH_SAYING = 0.001  # a stretch that is told where the sheet was said to be exact


@dataclass(frozen=True, eq=False, slots=True)
class ViewFit:
    """How one view agrees with the solution."""

    name: str
    kind: str  # flat or tilted
    corners: int
    residual_px: float  # RMS over x and y
    poor: bool  # far worse than the others, yet used: there are too many of that kind to do without
    bend: Bend

    def __str__(self) -> str:
        bent = f", lifts by {self.bend.lift_mm:.2f} mm" if self.bend.lift_mm > 2 * self.bend.u_mm else ""
        doubt = ", poor: look whether the sheet was curled or moved" if self.poor else ""
        return f"{self.name}: {self.kind}, {self.corners} corners, {self.residual_px:.3f} px{bent}{doubt}"


@dataclass(frozen=True, eq=False, slots=True)
class CameraSolution:
    """The camera in the frame of the first flat sheet, z = 0 at the mat below it."""

    device: Device
    views: tuple[ViewFit, ...]  # those used
    covered_mat_mm: Floats  # (N, 2) every corner of the flat sheets: where the mat is known from
    misses_mat_mm: Floats  # (N, 2) by how much the camera places each of them elsewhere
    notes: tuple[str, ...]  # what was assumed
    refused: tuple[Refused, ...]  # views left out: curled or poor
    scale_u: float  # relative standard uncertainty of every length, not in the device's covariance
    scale_how: str  # what that rests on, for people
    blur_px: float  # median over the views: standard deviation of an edge's blur, pixel included


def solve_camera(
    flat: Sequence[SheetView],
    tilted: Sequence[SheetView],
    size_px: tuple[int, int],
    thickness_mm: float = SHEET_THICKNESS_MM,
    scale: SheetScale = EXACT,
    bends: bool = True,
) -> CameraSolution:
    """Lens and mat plane from sheets that lie flat and sheets held at a tilt.

    Parameters
    ----------
    flat, tilted : sequences of SheetView
        At least one flat, three in all. The first flat sheet gives the mat frame. A lens alone is solved with
        one view called flat and all others tilted.
    size_px : (int, int)
        Width and height of the pictures.
    thickness_mm : float
        From the mat to the printed face.
    scale : SheetScale
        Printed over nominal length of the sheet, and its doubt.
    bends : bool
        Whether the sheet may bend. False for a board of glass, and to compare with solutions that take it as flat.

    Raises
    ------
    CalibrationError
        Too few views, none of them flat, views that do not determine the lens, most sheets curled, or check bars
        that do not fit the squares.

    Notes
    -----
    Every sheet may bend a little; one that bends more than 0.25 mm at its outermost corners is left out (not where a
    lens alone is solved), and so are the few that fit far worse than the others. The covariance is the solve's own:
    corner noise as the residuals show it, independent or smooth over a view, bending, the sheet's stretch, priors on
    k2, p1, p2, k3. A common scale is not in it: that is `scale_u`.
    """
    check_count(flat, tilted)
    check_places([*flat, *tilted], size_px)
    flat, tilted = ([_scaled(view, scale) for view in views] for views in (flat, tilted))
    first, flat_at_first, refused = flat[0], len(flat), list[Refused]()
    solved, judge = _solve_and_judge(flat, tilted, size_px, thickness_mm, scale, bends)
    while bad := _bad(flat, tilted, judge, refused):
        refused += bad
        names = {one.name for one in bad}
        flat, tilted = ([view for view in views if view.name not in names] for views in (flat, tilted))
        _check_left(flat, tilted, refused, flat_at_first)
        solved, judge = _solve_and_judge(flat, tilted, size_px, thickness_mm, scale, bends)
    _check_arch(judge, len(flat))
    _check_solved(solved, flat, tilted, size_px)
    notes = _notes(solved, scale)
    residual = _rms(np.concatenate([r.ravel() for r in solved.residuals_px]))
    device = Device(solved.bundle.camera, solved.covariance, residual)
    covered = solved.covered_mat_mm
    if first is not flat[0]:
        device, covered = _in_frame_of(first, device, covered, thickness_mm)
    blur_px = float(np.median([view.blur_px for view in (*flat, *tilted)]))
    fits = _view_fits(flat, tilted, solved)
    misses = _misses(device.pinhole, flat, covered, thickness_mm)
    return CameraSolution(device, fits, covered, misses, notes, tuple(refused), scale.u_common, scale.how, blur_px)


def _misses(camera: Pinhole, flat: Sequence[SheetView], covered_mat_mm: Floats, thickness_mm: float) -> Floats:
    """(N, 2) where the camera sees the flat sheets' corners, from where they lie; what they bend is in it."""
    seen_px = np.concatenate([view.corners_px for view in flat])
    return np.asarray(camera.mat_from_px(seen_px, thickness_mm) - covered_mat_mm)


def _scaled(view: SheetView, scale: SheetScale) -> SheetView:
    return replace(view, corners_sheet_mm=view.corners_sheet_mm * [scale.along, scale.across])


def _solve(
    flat: Sequence[SheetView],
    tilted: Sequence[SheetView],
    size_px: tuple[int, int],
    thickness_mm: float,
    scale: SheetScale,
    bends: bool,
) -> Solved:
    start = begin(flat, tilted, size_px, thickness_mm)
    try:
        return solve_bundle(start, flat, tilted, scale.u_ratio, scale.along_share, bends)
    except np.linalg.LinAlgError as error:
        raise _mixed_up() from error


def _solve_and_judge(
    flat: Sequence[SheetView],
    tilted: Sequence[SheetView],
    size_px: tuple[int, int],
    thickness_mm: float,
    scale: SheetScale,
    bends: bool,
) -> tuple[Solved, Solved]:
    """The solution, and the one by which views are judged: most often the same.

    A sheet that is stretched, and said not to be, seems to bend. What bends is then judged with its stretch free.
    """
    solved = _solve(flat, tilted, size_px, thickness_mm, scale, bends)
    if scale.u_ratio >= UNREAD.u_ratio or not any(bend.curled or bend.arched for bend in solved.bends):
        return solved, solved
    free = _solve(flat, tilted, size_px, thickness_mm, replace(scale, u_ratio=UNREAD.u_ratio), bends)
    stretched = abs(free.bundle.stretch) > MISFIT * free.stretch_u
    return solved, free if stretched else solved


def _bad(
    flat: Sequence[SheetView], tilted: Sequence[SheetView], solved: Solved, refused: Sequence[Refused]
) -> list[Refused]:
    """The views that should not be used: curled ones, and the few that fit far worse than the others."""
    views = [*flat, *tilted]
    of_a_mat = len(flat) + _count(refused, "curled") > 1  # of a lens alone no sheet need be flat
    curled = (_curled(views, solved) or _arched(flat, solved)) if of_a_mat else []
    many, of_all = len(curled) + _count(refused, "curled"), len(views) + len(refused)
    if 2 * many > of_all:
        raise CalibrationError(
            f"the sheet is curled in {many} of {of_all} pictures or more; stick it to something stiff and flat"
        )
    if curled:
        return curled
    poor = [view for view, is_poor in zip(views, _poor(solved), strict=True) if is_poor]
    left_out = _count(refused, "poor")
    if len(poor) + left_out > max(1, int(MOST_POOR * (len(views) + left_out))) or len(views) - len(poor) < FEWEST_VIEWS:
        return []
    return [Refused(v.name, "poor", "it fits far worse than the others: hold the sheet still and flat") for v in poor]


def _curled(views: Sequence[SheetView], solved: Solved) -> list[Refused]:
    """The views that bend too much; the worst first, for one that is wrong altogether makes others seem to bend."""
    most = max(bend.lift_mm for bend in solved.bends)
    return [
        Refused(view.name, "curled", f"its sheet lifts by {bend.lift_mm:.1f} mm: press it flat or stick it to a board")
        for view, bend in zip(views, solved.bends, strict=True)
        if bend.curled and bend.lift_mm > WORST * most
    ]


def _arched(flat: Sequence[SheetView], solved: Solved) -> list[Refused]:
    """The flat views whose sheet stands on its ends, so that nothing tells how high it lies; the worst first, too."""
    bends = solved.bends[: len(flat)]
    most = max(bend.arch_mm for bend in bends)
    return [
        Refused(view.name, "curled", "its sheet arches up in its middle: press it flat or stick it to a board")
        for view, bend in zip(flat, bends, strict=True)
        if bend.arched and bend.arch_mm > WORST * most
    ]


def _count(refused: Sequence[Refused], why: str) -> int:
    return sum(one.why == why for one in refused)


def _poor(solved: Solved) -> list[bool]:
    rms = [_rms(r) for r in solved.residuals_px]
    return [r > max(POOR_VIEW * float(np.median(rms)), HARMLESS_PX) for r in rms]


def _check_left(
    flat: Sequence[SheetView], tilted: Sequence[SheetView], refused: Sequence[Refused], flat_at_first: int
) -> None:
    if 2 * len(flat) < flat_at_first and all(one.why == "curled" for one in refused):
        raise CalibrationError(
            f"the sheet is curled in {flat_at_first - len(flat)} of {flat_at_first} pictures that show it flat; "
            "stick it to something stiff and flat"
        )
    if not flat or len(flat) + len(tilted) < FEWEST_VIEWS:
        which = ", ".join(f"{one.name} ({one.why})" for one in refused)
        raise CalibrationError(f"too few views are left without {which}; take these again")


def _check_arch(solved: Solved, flat: int) -> None:
    """Refuse sheets that all stand off the mat a little: none is arched beyond doubt, yet all of them are together."""
    bends = solved.bends[:flat]
    together = float(np.mean([one.arch_mm for one in bends]))
    doubt = float(np.sqrt(np.mean([one.arch_u_mm**2 for one in bends]) / flat))
    if flat > 1 and together > max(MOST_ARCH_MM, 2.0 * doubt):
        raise CalibrationError("the sheet arches up in its middle; stick it to something stiff and flat")


def _check_solved(
    solved: Solved, flat: Sequence[SheetView], tilted: Sequence[SheetView], size_px: tuple[int, int]
) -> None:
    lens = solved.bundle.camera.lens
    focal_u = np.sqrt(np.diag(solved.covariance)[:2])
    sure = np.all(np.isfinite(focal_u)) and np.all(focal_u < VAGUE_FOCAL * np.array(lens.focal_px))
    inside = all(-s < c < 2 * s for c, s in zip(lens.centre_px, size_px, strict=True))
    if sure and inside and min(lens.focal_px) > 0 and not folds(lens, [*flat, *tilted]):
        return
    if not tilted:
        raise CalibrationError("flat sheets alone mix up lens and height; take it tilted by 15 to 35 degrees, too")
    raise _mixed_up()


def _mixed_up() -> CalibrationError:
    return CalibrationError("lens and height are mixed up; tilt the sheet by 15 to 35 degrees in more of the pictures")


def _in_frame_of(first: SheetView, device: Device, covered: Floats, thickness_mm: float) -> tuple[Device, Floats]:
    """Device and covered points in the frame of a sheet that was left out of the solve."""
    turn, move_mm = rigid(device.pinhole.mat_from_px(first.corners_px, thickness_mm), first.corners_sheet_mm)
    return device_in_plane(device, turn, move_mm), covered @ turn.T + move_mm


def _view_fits(flat: Sequence[SheetView], tilted: Sequence[SheetView], solved: Solved) -> tuple[ViewFit, ...]:
    kinds = ["flat"] * len(flat) + ["tilted"] * len(tilted)
    parts = zip([*flat, *tilted], kinds, solved.residuals_px, _poor(solved), solved.bends, strict=True)
    return tuple(ViewFit(v.name, kind, len(v.ids), _rms(r), poor, bend) for v, kind, r, poor, bend in parts)


def _notes(solved: Solved, scale: SheetScale) -> tuple[str, ...]:
    lifts = np.max(solved.usual_lifts_mm, axis=1)
    smooth = f", together within a view (variances {solved.together:.1f} times)" if solved.together > TOLD else ""
    gross = f", {solved.gross} left out as grossly off" if solved.gross else ""
    return (
        f"camera: sheets lift by {lifts[0]:.2f} mm lying flat and {lifts[1]:.2f} mm tilted, by their own views; "
        f"{solved.bundle.thickness_mm:g} mm thick",
        f"camera: corners scatter by {solved.scatter_px:.3f} px{smooth}{gross}; weak priors on k2, p1, p2, k3",
        *scale.notes(),
        *_stretch_notes(solved, scale),
    )


def _stretch_notes(solved: Solved, scale: SheetScale) -> tuple[str, ...]:
    """What the squares say of the sheet's stretch, next to what its bars said."""
    prior, found = max(scale.u_ratio, HELD_STRETCH), solved.bundle.stretch
    told = max(prior**2 - solved.stretch_u**2, 0.0)  # of its prior variance, what the views took away
    if told <= 0 or abs(found) <= MISFIT * np.sqrt(told):
        return ()
    by_squares = found * prior**2 / told
    if scale.u_ratio > 0:
        raise CalibrationError(
            f"the sheet's bars do not fit its squares, which are {100 * abs(by_squares):.2f} % "
            f"{'longer' if by_squares > 0 else 'shorter'} along than the bars say; read both bars again"
        )
    if abs(by_squares) < WORTH_SAYING:
        return ()
    how = f"{100 * abs(by_squares):.2f} % {'longer' if by_squares > 0 else 'shorter'} along than across"
    return (f"sheet: its squares seem {how}; read both its bars",)


def _rms(values: Floats) -> float:
    return float(np.sqrt(np.mean(np.square(values))))
