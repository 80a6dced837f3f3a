"""How good a calibration is at virtual tables of many kinds, against their truth.

    python -m tests.measure.calibration --seeds 3            # all kinds; the full count is 100 seeds
    python -m tests.measure.calibration --seeds 20 --only plain --only "k1 -0.35"

Errors are in mm over the whole mat, after the best rigid in-plane alignment of the frames: of camera to mat, and of
where a projected point lands. "(e/u)2" is the mean of e'C^-1 e / 2, which is 1 where the stated covariance C is true,
and "beyond" the share of points past the chi-squared(2) 99.73 % point (0.27 % where it is true). Where the sheet's
bars are read with a ruler, the common scale is taken out of these and told apart: its error, and that over what is
stated. The camera is scored as the rig keeps it: with `--camera-only` as the sheet alone has it, else after the
projector's light was heard, too. The baseline is a plain `cv2.calibrateCamera` on corners of OpenCV's own detector,
the mat's plane taken from the first sheet.
"""

from __future__ import annotations

import argparse
import time
from collections.abc import Sequence
from dataclasses import dataclass

import cv2
import numpy as np
from numpy.typing import NDArray

from calibration.beam.decoding import decode, suit_white
from calibration.beam.mesh import mesh
from calibration.beam.patterns import Patterns
from calibration.beam.projector import ProjectorSolution, solve_projector
from calibration.beam.steady import Bumped
from calibration.lens.camera import CalibrationError, CameraSolution, solve_camera
from calibration.projection import mat_by_parameters
from calibration.rig import Device
from calibration.scale import EXACT, SheetScale, from_bars
from calibration.sheet.board import Board
from calibration.sheet.corners import Refused, SheetView, find_sheet
from calibration.sheet.layout import lay_out
from projector.rehearsal.optics import Optics
from tests.measure.tables import KINDS, Kind, Trial, aligned_covariances, larger, mat_grid, misses_mm

Floats = NDArray[np.float64]
Picture = NDArray[np.uint8]

FULL_COUNT = 100
CHI2_2_9973 = -2.0 * np.log(0.0027)  # chi-squared of two degrees of freedom is exponential with mean 2
BOARD = Board()


@dataclass(frozen=True, slots=True)
class Score:
    """One device of one rig."""

    rms_mm: float
    worst_mm: float
    honesty: float  # mean of e'C^-1 e / 2
    beyond: float  # share of points
    scale: float  # found over true lengths, less 1


@dataclass(frozen=True, slots=True)
class Result:
    """One rig. A part that was not solved is None and `why` says what was told."""

    camera: Score | None = None
    projector: Score | None = None
    baseline_mm: float | None = None  # RMS of the plain recipe
    scale_u: float = 0.0  # relative, as stated
    refused: tuple[str, ...] = ()
    why: str = ""
    seconds: float = 0.0


def score(device: Device, truth: Optics, points: Floats, scaled: bool = False) -> Score:
    """A solved device against the true one, over points (N, 2) of the mat; a common scale may be taken out."""
    found = device.pinhole.mat_from_px(truth.px_from_level(points, 0.0))
    scale = larger(found, points)
    off = misses_mm(found, points * scale if scaled else points)
    slopes = mat_by_parameters(device.pinhole, found).reshape(2 * len(found), -1)
    covariances = aligned_covariances(found, slopes @ device.covariance @ slopes.T)
    chi2 = np.einsum("ni,nij,nj->n", off, np.linalg.inv(covariances), off)
    sizes = np.hypot(*off.T)
    rms = float(np.sqrt(np.mean(sizes**2)))
    return Score(rms, float(sizes.max()), float(chi2.mean() / 2), float(np.mean(chi2 > CHI2_2_9973)), scale - 1.0)


def calibrated(seed: int, kind: Kind, flat: int = 9, tilted: int = 6, light: bool = True) -> Result:
    """Calibrate one table as the app does, without the app, and score it."""
    began = time.perf_counter()
    trial = Trial(seed, kind, BOARD)
    pictures = [(asked, picture) for asked, picture in trial.sheets(flat, tilted)]
    found = [(asked, find_sheet(picture, BOARD, f"{asked.what} {asked.n}")) for asked, picture in pictures]
    refused = tuple(f"{one.name} {one.why}" for _, one in found if isinstance(one, Refused))
    views = {
        w: [one for a, one in found if isinstance(one, SheetView) and a.what == w]
        for w in ("sheet_flat", "sheet_tilted")
    }
    why, solved, seen, lit = "", None, None, None
    try:
        scale = _read(trial) if kind.read_bars else EXACT
        solved = solve_camera(views["sheet_flat"], views["sheet_tilted"], kind.camera_px, scale=scale)
        seen = solved.device
        if light:
            thrown = _projector(trial, solved)
            seen, lit = thrown.camera, thrown.device
    except CalibrationError as error:
        why = str(error)
    truth, grid = trial.close(), mat_grid()
    return Result(
        None if seen is None else score(seen, truth.camera, grid, kind.read_bars),
        None if lit is None else score(lit, truth.projector, grid, kind.read_bars),
        _baseline_mm(
            [picture for asked, picture in pictures if asked.what == "sheet_flat"],
            [picture for asked, picture in pictures if asked.what == "sheet_tilted"],
            truth.camera,
        ),
        0.0 if solved is None else solved.scale_u,
        refused if solved is None else (*refused, *(f"{one.name} {one.why}" for one in solved.refused)),
        why,
        time.perf_counter() - began,
    )


def _read(trial: Trial) -> SheetScale:
    """The sheet's scale by its bars, along the lower edge and up the left one."""
    nominal = lay_out(BOARD, "letter")
    return from_bars(nominal.along_mm, nominal.across_mm, *trial.table.read_bars(nominal.along_mm, nominal.across_mm))


def _projector(trial: Trial, camera: CameraSolution) -> ProjectorSolution:
    """Read the patterns at the level that the camera takes, and solve."""
    size_px, white = trial.table.projector_px, 255
    for _ in range(5):
        black, bright = trial.lights(0), trial.lights(white)
        suited = suit_white(bright, black, white)
        if suited.white >= white:
            break
        white = suited.white
    read = decode(trial.seen(Patterns(size_px, white)), size_px)
    if isinstance(read, Bumped):
        raise CalibrationError("the patterns seem bumped; nothing was")
    return solve_projector(mesh(read), size_px, camera.device, sheets_mat_mm=camera.covered_mat_mm)


def _baseline_mm(flat: Sequence[Picture], tilted: Sequence[Picture], truth: Optics) -> float | None:
    """RMS of the plain recipe over the mat."""
    detector = cv2.aruco.CharucoDetector(BOARD.opencv())
    objects, images = [], []
    for picture in (*flat, *tilted):
        corners, ids, _, _ = detector.detectBoard(picture)
        if ids is not None and len(ids) >= 8:
            sheet_mm = BOARD.corners_sheet_mm[ids.ravel()]
            objects.append(np.column_stack([sheet_mm, np.zeros(len(ids))]).astype(np.float32))
            images.append(corners.reshape(-1, 2).astype(np.float32))
    if len(objects) < 3:
        return None
    _, matrix, distortion, turns, shifts = cv2.calibrateCamera(objects, images, truth.size_px, np.eye(3), np.zeros(5))
    rotation = np.asarray(cv2.Rodrigues(turns[0])[0], float)
    grid = mat_grid()
    rays = cv2.undistortPoints(truth.px_from_level(grid, 0.0)[:, None], matrix, distortion)[:, 0]
    plane = np.column_stack([rotation[:, :2], np.ravel(shifts[0])])
    on_mat = np.column_stack([rays, np.ones(len(rays))]) @ np.linalg.inv(plane).T
    off = misses_mm(on_mat[:, :2] / on_mat[:, 2:], grid)
    return float(np.sqrt(np.mean(np.sum(off**2, axis=1))))


def row(name: str, results: Sequence[Result]) -> str:
    """One line of the table: mean over rigs of RMS, worst of worst."""
    cameras = [one.camera for one in results if one.camera]
    projectors = [one.projector for one in results if one.projector]
    plain = [one.baseline_mm for one in results if one.baseline_mm is not None]
    cells = [name, f"{len(cameras)}, {len(projectors)} of {len(results)}", *_cells(cameras), *_cells(projectors)]
    cells += [_scale_cell(results), f"{np.mean(plain):.3f}" if plain else "-"]
    cells += [f"{np.mean([len(one.refused) for one in results]):.1f}", f"{np.mean([r.seconds for r in results]):.0f} s"]
    return "| " + " | ".join(cells) + " |"


def _scale_cell(results: Sequence[Result]) -> str:
    """RMS of the scale's error, and of that over its stated uncertainty."""
    read = [(one.camera.scale, one.scale_u) for one in results if one.camera and one.scale_u > 0]
    if not read:
        return "-"
    errors, us = np.array(read).T
    return f"{100 * np.sqrt(np.mean(errors**2)):.3f} %, {np.sqrt(np.mean((errors / us) ** 2)):.1f}"


def _cells(scores: Sequence[Score]) -> list[str]:
    if not scores:
        return ["-", "-", "-"]
    rms, worst = np.mean([s.rms_mm for s in scores]), max(s.worst_mm for s in scores)
    honesty, beyond = np.mean([s.honesty for s in scores]), np.mean([s.beyond for s in scores])
    return [f"{rms:.3f} / {worst:.3f}", f"{honesty:.2f}", f"{100 * beyond:.1f} %"]


COLUMNS = (
    *("table", "solved", "camera mm RMS / worst", "(e/u)2", "beyond"),
    *("projector mm RMS / worst", "(e/u)2", "beyond", "scale", "plain recipe RMS", "views refused", "time"),
)


def main() -> None:
    reader = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    reader.add_argument("--seeds", type=int, default=FULL_COUNT, help=f"rigs of each kind ({FULL_COUNT})")
    reader.add_argument("--only", action="append", choices=list(KINDS), help="this kind alone; may be repeated")
    reader.add_argument("--camera-only", action="store_true", help="leave the projector out")
    told = reader.parse_args()
    print("| " + " | ".join(COLUMNS) + " |\n" + "| --- " * len(COLUMNS) + "|", flush=True)
    for name in told.only or KINDS:
        results = [calibrated(seed, KINDS[name], light=not told.camera_only) for seed in range(1, told.seeds + 1)]
        print(row(name, results), flush=True)
        for line in sorted({one.why for one in results if one.why}):
            print(f"  {name}: {line}", flush=True)


if __name__ == "__main__":
    main()
