"""How good a camera's solution is, and whether its stated uncertainty is true, over random rigs.

    python -m tests.measure.camera_honesty                 # 100 rigs of each kind
    python -m tests.measure.camera_honesty --rigs 10 --only flat

Corners alone are simulated (`camera_rigs.py`); rigs are drawn with lens, mounting, views, noise and curling. Errors are
in mm over what the camera sees of the mat, after the best rigid in-plane alignment, which the covariance goes through,
too. "(e/u)2" is the mean over rigs of a rig's mean of e'C^-1 e / 2, which is 1 where the stated covariance is true;
"beyond" the share of points past the chi-squared(2) 99.73 % point. The baseline is a plain `cv2.calibrateCamera` with
the mat's plane taken from the first sheet.
"""

from __future__ import annotations

import argparse
from dataclasses import dataclass

import cv2
import numpy as np
from numpy.typing import NDArray

from calibration.lens.camera import CalibrationError, solve_camera
from calibration.projection import mat_by_parameters
from tests.measure.camera_rigs import MAT_MM, THICKNESS_MM, Kind, Rig, TrueCamera, draw_rig
from tests.measure.tables import aligned_covariances, misses_mm

Floats = NDArray[np.float64]

CHI2_2_9973 = -2.0 * np.log(0.0027)  # chi-squared of two degrees of freedom is exponential with mean 2
UHD = (3840, 2160)

KINDS = {
    "flat": Kind(),
    "flat, k1 -0.35": Kind(k1=(-0.35, -0.3)),
    "flat, k1 -0.3 to -0.15": Kind(k1=(-0.3, -0.15)),
    "flat, 4K": Kind(size_px=UHD),
    "flat, 5 + 4 views": Kind(views=(5, 4)),
    "flat, noise 0.01 px": Kind(noise_px=(0.01, 0.01)),
    "noise smooth by a third": Kind(together=0.33),
    "print uneven by 0.06": Kind(uneven_mm=0.06),
    "lifted 0.1": Kind(lift_mm=0.1),
    "lifted 0.5": Kind(lift_mm=0.5),
    "lifted 0.5, noise 0.01 px": Kind(lift_mm=0.5, noise_px=(0.01, 0.01)),
    "lifted 0.5, parabola": Kind(lift_mm=0.5, profile="parabola"),
    "lifted 0.5, cosh": Kind(lift_mm=0.5, profile="cosh"),
    "lifted 0.5, late end": Kind(lift_mm=0.5, profile="late end"),
    "raised 0.5, arch": Kind(lift_mm=0.5, profile="arch"),
    "raised 0.5, wave": Kind(lift_mm=0.5, profile="wave"),
    "raised 0.5, ridge": Kind(lift_mm=0.5, profile="ridge"),
    "lifted 0.5, k1 -0.35": Kind(lift_mm=0.5, k1=(-0.35, -0.3)),
    "lifted 0.5, 4K": Kind(lift_mm=0.5, size_px=UHD),
    "lifted 2": Kind(lift_mm=2.0),
}


@dataclass(frozen=True, slots=True)
class Score:
    """One rig."""

    rms_mm: float
    worst_mm: float
    honesty: float  # mean of e'C^-1 e / 2
    beyond: float  # share of points
    refused: int
    plain_mm: float  # RMS of the baseline


def score(rig: Rig) -> Score:
    """Solve a rig and hold it against its truth."""
    solution = solve_camera(rig.flat, rig.tilted, rig.camera.size_px, THICKNESS_MM)
    grid, px = seen_grid(rig.camera)
    pinhole = solution.device.pinhole
    found = pinhole.mat_from_px(px)
    off = misses_mm(found, grid)
    slopes = mat_by_parameters(pinhole, found).reshape(2 * len(found), -1)
    covariances = aligned_covariances(found, slopes @ solution.device.covariance @ slopes.T)
    chi2 = np.einsum("ni,nij,nj->n", off, np.linalg.inv(covariances), off)
    size = np.hypot(*off.T)
    rms, worst = float(np.sqrt(np.mean(size**2))), float(size.max())
    beyond = float(np.mean(chi2 > CHI2_2_9973))
    return Score(rms, worst, float(chi2.mean() / 2), beyond, len(solution.refused), plain_mm(rig, grid, px))


def seen_grid(camera: TrueCamera) -> tuple[Floats, Floats]:
    """Points (N, 2) of the mat that the camera sees, and their true pixels."""
    x, y = np.meshgrid(np.linspace(0, MAT_MM[0], 19), np.linspace(0, MAT_MM[1], 13))
    grid = np.column_stack([x.ravel(), y.ravel()])
    px = camera.px(np.column_stack([grid, np.zeros(len(grid))]))
    inside = camera.sees(px)
    return grid[inside], px[inside]


def plain_mm(rig: Rig, grid: Floats, px: Floats) -> float:
    """RMS of the plain recipe."""
    views = [*rig.flat, *rig.tilted]
    objects = [np.column_stack([v.corners_sheet_mm, np.zeros(len(v.ids))]).astype(np.float32) for v in views]
    images = [v.corners_px.astype(np.float32) for v in views]
    size_px = rig.camera.size_px
    _, matrix, distortion, turns, shifts = cv2.calibrateCamera(objects, images, size_px, np.eye(3), np.zeros(5))
    plane = np.column_stack([cv2.Rodrigues(turns[0])[0][:, :2], np.ravel(shifts[0])])
    rays = cv2.undistortPoints(px[:, None], matrix, distortion)[:, 0]
    on_mat = np.column_stack([rays, np.ones(len(rays))]) @ np.linalg.inv(plane).T
    off = misses_mm(on_mat[:, :2] / on_mat[:, 2:], grid)
    return float(np.sqrt(np.mean(np.sum(off**2, axis=1))))


def row(name: str, rigs: int, seed: int = 1) -> str:
    """One line of the table."""
    scores, why = [], set[str]()
    for number in range(rigs):
        try:
            scores.append(score(draw_rig(np.random.default_rng([seed, number]), KINDS[name])))
        except CalibrationError as error:
            why.add(str(error))
    if not scores:
        return f"| {name} | 0 of {rigs} | {'; '.join(sorted(why))} |"
    table = np.array([[s.rms_mm, s.worst_mm, s.honesty, s.beyond, s.refused, s.plain_mm] for s in scores])
    mean, worst, nine = table.mean(axis=0), table.max(axis=0), np.quantile(table, 0.9, axis=0)
    errors = f"{mean[0]:.3f} / {nine[0]:.3f} / {worst[0]:.3f} | {mean[1]:.3f} / {nine[1]:.3f} / {worst[1]:.3f}"
    honest = f"{mean[2]:.2f} | {100 * mean[3]:.1f} % | {mean[4]:.1f}, {worst[4]:.0f} | {mean[5]:.3f}"
    return f"| {name} | {len(scores)} of {rigs} | {errors} | {honest} |"


HEAD = """| kind | solved | RMS mm: mean, 90 %, worst rig | worst point mm: the same | (e/u)2 | beyond \
| views refused: mean, most | plain recipe RMS |
| --- | --- | --- | --- | --- | --- | --- | --- |"""


def main() -> None:
    reader = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    reader.add_argument("--rigs", type=int, default=100)
    reader.add_argument("--seed", type=int, default=1)
    reader.add_argument("--only", action="append", choices=list(KINDS))
    told = reader.parse_args()
    print(HEAD, flush=True)
    for name in told.only or KINDS:
        print(row(name, told.rigs, told.seed), flush=True)


if __name__ == "__main__":
    main()
