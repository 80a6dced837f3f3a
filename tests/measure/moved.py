"""Bumps and quiet starts at virtual tables: what a glance notices, names and measures, and the poses solved again.

    python -m tests.measure.moved                          # 10 tables, 12 bumps each, 1,000 quiet starts each
    python -m tests.measure.moved --tables 1 --bumps 4 --quiet 200

Each table is calibrated first, as the app does it; its errors, after the best rigid alignment, are the yardstick.
Then every bump (1 to 20 mm with 0.1 to 1 degree, of camera, projector or mat) happens to that table anew. A quiet
start is drawn: each landmark and dot has the scatter that 20 rendered frames showed of it. "Baseline" is the plain
recipe: where ORB features of the picture went by a robust homography (OpenCV), a motion above 0.25 mm being told.
"""

from __future__ import annotations

import argparse
import time
from collections.abc import Sequence
from dataclasses import dataclass, replace

import cv2
import numpy as np
from numpy.typing import NDArray

from calibration.beam.decoding import decode
from calibration.beam.mesh import mesh
from calibration.beam.patterns import Patterns
from calibration.beam.projector import solve_projector
from calibration.lens.camera import solve_camera
from calibration.mat.dots import dot_picture
from calibration.mat.frame import MatFrame, find_mat_frame, in_mat_frame
from calibration.mat.landmarks import choose_landmarks
from calibration.mat.moved import dots_to_show, glance, light_pose, shift_over, told, with_dots
from calibration.mat.posefit import fit_pose
from calibration.mat.realign import (
    realign_camera,
    realign_mat,
    realign_projector,
)
from calibration.mat.sighting import Sighting, find_landmarks
from calibration.rig import Device, Rig
from calibration.scale import EXACT
from calibration.sheet.board import Board
from calibration.sheet.corners import SheetView, find_sheet
from projector.rehearsal.optics import Optics
from projector.setup.finishing import BARE_FRAMES, rig_of
from projector.setup.realigning import FRAMES
from tests.measure.tables import KINDS, Trial, mat_grid, misses_mm, rigidly

Floats = NDArray[np.float64]
Picture = NDArray[np.uint8]

TABLES, BUMPS, QUIET = 10, 12, 1000
REPEATS = 20
BORDER_MM = 6.0  # around the mat, within which its border is a landmark
WORTH_MM = 0.5
BASELINE_MM = 0.25
WHATS = ("camera", "projector", "mat")


@dataclass(frozen=True, eq=False, slots=True)
class Made:
    """A calibrated table as it was left."""

    seed: int
    rig: Rig
    shown: Picture
    even: Picture
    camera_rms_mm: float
    projector_rms_mm: float


@dataclass(frozen=True, slots=True)
class Blow:
    """One bump and what became of it."""

    what: str
    true_mm: float  # the largest over the mat
    named: tuple[str, ...]
    by_mm: float
    baseline: bool
    again_mm: float | None  # RMS after the poses were solved again; of the device that moved
    ratio: float | None  # over the calibration's own
    seconds: float


def main() -> None:
    reader = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    reader.add_argument("--tables", type=int, default=TABLES)
    reader.add_argument("--bumps", type=int, default=BUMPS, help="at each table")
    reader.add_argument("--quiet", type=int, default=QUIET, help="starts at each table")
    reader.add_argument("--first", type=int, default=1, help="seed of the first table")
    reader.add_argument("--kind", choices=list(KINDS), default="plain")
    told_to = reader.parse_args()
    blows: list[Blow] = []
    alarms = plain = starts = 0
    for seed in range(told_to.first, told_to.first + told_to.tables):
        made = calibrated(seed, told_to.kind)
        print(
            f"table {seed}: camera {made.camera_rms_mm:.3f}, projector {made.projector_rms_mm:.3f} mm RMS", flush=True
        )
        found = false_alarms(made, told_to.quiet, told_to.kind)
        alarms, plain, starts = alarms + found[0], plain + found[1], starts + told_to.quiet
        blows += [blow(made, k, told_to.kind) for k in range(told_to.bumps)]
    print(f"\nfalse alarms in {starts} quiet starts: {alarms}; of the baseline in {REPEATS * told_to.tables}: {plain}")
    report(blows)


def report(blows: Sequence[Blow]) -> None:
    print(
        "\n| bumped | over 0.5 mm | noticed | named | baseline noticed | size off by | again mm RMS | ratio | glance |"
    )
    print("| --- | --- | --- | --- | --- | --- | --- | --- | --- |")
    for what in WHATS:
        some = [one for one in blows if one.what == what and one.true_mm > WORTH_MM]
        if not some:
            continue
        off = np.median([abs(one.by_mm - one.true_mm) for one in some])
        again = [one.again_mm for one in some if one.again_mm is not None]
        ratios = [one.ratio for one in some if one.ratio is not None]
        print(
            f"| {what} | {len(some)} | {sum(bool(one.named) for one in some)} | "
            f"{sum(one.named == (what,) for one in some)} | {sum(one.baseline for one in some)} | {off:.2f} mm | "
            f"{np.mean(again or [np.nan]):.3f} | {np.median(ratios or [np.nan]):.2f}, at worst "
            f"{max(ratios or [np.nan]):.2f} ({len(ratios)}) | {np.mean([one.seconds for one in some]):.2f} s |"
        )


# A table


def calibrated(seed: int, kind: str) -> Made:
    """Camera, projector, the mat's frame, landmarks and dots."""
    trial = Trial(seed, KINDS[kind])
    found = [(asked.what, find_sheet(picture, Board(), f"{asked.what} {asked.n}")) for asked, picture in trial.sheets()]
    views = [(what, one) for what, one in found if isinstance(one, SheetView)]
    flat, tilted = ([one for what, one in views if what == want] for want in ("sheet_flat", "sheet_tilted"))
    solved = solve_camera(flat, tilted, trial.table.camera_px, scale=EXACT)
    size_px = trial.table.projector_px
    read = mesh(decode(trial.seen(Patterns(size_px)), size_px))
    lay = solved.covered_mat_mm
    lit = solve_projector(read, size_px, solved.device, sheets_mat_mm=lay)
    rig = rig_of(solved, lit)
    evens = repeats(trial, 255, BARE_FRAMES + 1)
    frame = find_mat_frame(evens[0], rig.camera.pinhole, lay.mean(axis=0), lit.device.pinhole)
    if not isinstance(frame, MatFrame) or frame.size_mm is None:
        raise SystemExit(f"table {seed}: no frame of the mat: {frame}")
    rig = in_mat_frame(rig, frame)
    rig = replace(rig, landmarks=choose_landmarks(evens[:-1], rig.camera.pinhole, outline(frame.size_mm)))
    shown = dot_picture(dots_to_show(rig), size_px)
    rig = with_dots(rig, trial.shows(shown), trial.lights(0), evens[-1])
    truth = trial.close()
    off = frame_miss_mm(rig, truth.camera)
    print(f"table {seed}: {frame.how}: off by {off:.2f} mm at the worst corner; {len(rig.landmarks)} landmarks")
    return Made(seed, rig, shown, evens[0], rms(rig.camera, truth.camera), rms(rig.projector, truth.projector))


def outline(size_mm: tuple[float, float]) -> Floats:
    w, h = size_mm[0] + BORDER_MM, size_mm[1] + BORDER_MM
    return np.array([[-BORDER_MM, -BORDER_MM], [w, -BORDER_MM], [w, h], [-BORDER_MM, h]])


def repeats(trial: Trial, level: int, count: int) -> list[Picture]:
    trial.lights(level)
    found = []
    for _ in range(count):
        trial.now_s += 1 / 15
        found.append(trial.table.frame(trial.now_s))
    return found


def rms(device: Device | None, truth: Optics) -> float:
    assert device is not None
    off = misses_mm(device.pinhole.mat_from_px(truth.px_from_level(mat_grid(), 0.0)), mat_grid())
    return float(np.sqrt(np.mean(np.sum(off**2, axis=1))))


# Quiet starts


def false_alarms(made: Made, count: int, kind: str) -> tuple[int, int]:
    """Of ours in `count` quiet starts, and of the baseline in REPEATS frames.

    A start is a draw of landmarks and dots with the scatter of rendered frames, judged as a glance judges.
    """
    trial, rig = Trial(made.seed, KINDS[kind]), made.rig
    frames = repeats(trial, 255, REPEATS)
    seen = [find_landmarks(one, rig.landmarks, rig.camera.pinhole) for one in frames]
    plain = sum(baseline_mm(made, one) > BASELINE_MM for one in frames)
    looks = [glance(rig, made.even, trial.shows(made.shown), trial.lights(0)).dots for _ in range(max(REPEATS // 4, 3))]
    trial.close()
    marks_px = np.array([one.seen_px for one in seen])
    dots_px = np.array([one.camera_px for one in looks])
    used = np.all([one.used for one in seen], axis=0)
    mark_sd, dot_sd = marks_px.std(axis=0, ddof=1), np.nanstd(dots_px, axis=0, ddof=1)
    rng = np.random.default_rng([made.seed, 77])
    alarms = 0
    for _ in range(count):
        places = marks_px.mean(axis=0) + mark_sd * rng.normal(size=mark_sd.shape)
        told_by = rig.landmarks.places_mat_mm[used], places[used], rig.landmarks.information_px2[used]
        pose = fit_pose(rig.camera.pinhole, *told_by)
        now = replace(looks[0], camera_px=np.nanmean(dots_px, axis=0) + dot_sd * rng.normal(size=dot_sd.shape))
        alarms += bool(judged(rig, Sighting(pose, places, used, 0.1), now))
    return alarms, plain


def judged(rig: Rig, sighting: Sighting, dots: object) -> tuple[object, ...]:
    camera, area = rig.camera.pinhole, rig.area_mat_mm
    mat = shift_over(camera, sighting.pose, area, None)
    on_mat = shift_over(rig.projector.pinhole, light_pose(rig, sighting.pose.pinhole, dots), area, sighting)
    in_picture = shift_over(rig.projector.pinhole, light_pose(rig, camera, dots), area, None)
    return told(mat, on_mat, in_picture)


# Bumps


def blow(made: Made, k: int, kind: str) -> Blow:
    """One bump at this table; sizes are spread evenly over their range by their logarithm."""
    rng = np.random.default_rng([made.seed, k, 5])
    what, share = WHATS[k % 3], rng.uniform()
    shift, turn = rng.normal(size=(2, 3)) * ([1.0, 1.0, 0.0] if what == "mat" else 1.0)
    if what == "mat":
        turn = np.array([0.0, 0.0, rng.choice([-1.0, 1.0])])
    shift *= 20.0**share / np.linalg.norm(shift)
    turn *= np.radians(0.1 * 10.0**share) / np.linalg.norm(turn)
    trial = Trial(made.seed, KINDS[kind])
    trial.table.bump(what, shift, turn, 0.0)
    even = repeats(trial, 255, 1)[0]
    lit, dark = trial.shows(made.shown), trial.lights(0)
    began = time.perf_counter()
    seen = glance(made.rig, even, lit, dark)
    seconds = time.perf_counter() - began
    again = solved_again(made, what, trial)
    truth = trial.close()
    before, after = truth.placings[0], truth.placings[-1]
    device = "projector" if what == "projector" else "camera"
    true_mm = went_mm(getattr(before, device), getattr(after, device))
    again_mm = None if again is None else rms(getattr(again, device), getattr(after, device))
    if again is not None and what == "mat":  # no rigid alignment here: the frame itself is what was solved again
        again_mm = float(
            np.hypot(made.camera_rms_mm, drift_mm(made.rig.camera, before.camera, again.camera, after.camera))
        )
    own = made.projector_rms_mm if what == "projector" else made.camera_rms_mm
    return Blow(
        what,
        true_mm,
        tuple(one.what for one in seen.moved),
        max((one.by_mm for one in seen.moved), default=0.0),
        baseline_mm(made, even) > BASELINE_MM,
        again_mm,
        None if again_mm is None else again_mm / own,
        seconds,
    )


def averaged(trial: Trial, shown: Picture) -> Picture:
    trial.shows(shown)
    return trial.looks(FRAMES)


def level(trial: Trial, value: int) -> Picture:
    width, height = trial.table.projector_px
    return np.full((height, width, 3), value, np.uint8)


def drift_mm(was: Device, before: Optics, now: Device, after: Optics) -> float:
    """RMS by which places of the mat are told elsewhere than before the bump."""
    told_before, told_now = (
        device.pinhole.mat_from_px(truth.px_from_level(mat_grid(), 0.0))
        for device, truth in ((was, before), (now, after))
    )
    return float(np.sqrt(np.mean(np.sum((told_now - told_before) ** 2, axis=1))))


def went_mm(before: Optics, after: Optics) -> float:
    """The largest way of what fixed pixels show, over the mat."""
    grid = mat_grid()
    return float(np.linalg.norm(after.level_from_px(before.px_from_level(grid, 0.0), 0.0) - grid, axis=1).max())


def solved_again(made: Made, what: str, trial: Trial) -> Rig | None:
    """As the app does it once the person has agreed to what moved: a glance at some frames of each picture."""
    rig = made.rig
    if what != "projector":
        even, lit, dark = (averaged(trial, picture) for picture in (level(trial, 255), made.shown, level(trial, 0)))
        seen = glance(rig, even, lit, dark)
        if seen.sighting is None:
            return None
        solve = realign_camera if what == "camera" else realign_mat
        return solve(rig, seen.sighting, even, seen.dots)
    size_px = trial.table.projector_px
    again = realign_projector(rig, mesh(decode(trial.seen(Patterns(size_px)), size_px)))
    return again if isinstance(again, Rig) else None


def baseline_mm(made: Made, even: Picture) -> float:
    """The plain recipe's motion over the mat; infinite where it finds none."""
    orb = cv2.ORB_create(3000)
    (at, what), (to, which) = (orb.detectAndCompute(picture, None) for picture in (made.even, even))
    if what is None or which is None:
        return np.inf
    pairs = cv2.BFMatcher(cv2.NORM_HAMMING, crossCheck=True).match(what, which)
    if len(pairs) < 8:
        return np.inf
    a = np.array([at[p.queryIdx].pt for p in pairs])
    b = np.array([to[p.trainIdx].pt for p in pairs])
    found, _ = cv2.findHomography(a, b, cv2.RANSAC, 2.0)
    if found is None:
        return np.inf
    camera = made.rig.camera.pinhole
    px = camera.px_from_mat(mat_grid())
    moved = cv2.perspectiveTransform(px[None], found)[0]
    return float(np.linalg.norm(camera.mat_from_px(moved) - camera.mat_from_px(px), axis=1).max())


def frame_miss_mm(rig: Rig, truth: Optics) -> float:
    """How far the frame itself is off: shift and turn, at the worst of the mat's corners."""
    grid = mat_grid()
    turn, shift = rigidly(grid, rig.camera.pinhole.mat_from_px(truth.px_from_level(grid, 0.0)))
    corners = grid[[0, 24, -25, -1]]
    return float(np.linalg.norm(corners @ turn.T + shift - corners, axis=1).max())


if __name__ == "__main__":
    main()
