"""Which patterns tell the projector's pixels best: `python -m tests.measure.patterns_choice [--only KIND ...]`.

Three ways to read the same virtual table, each with about the same number of pictures: the fringes with Gray code
that the tool uses; a lattice of soft dots in 16 shifts, told apart by the coarse map; a projected ChArUco board in
16 shifts, read by OpenCV's detector on the picture over white. The camera is taken as exact, so what is left is the
patterns' error. Printed: RMS and worst miss of points in projector pixels, and of light over the mat in mm after the
solve. All frames are generated.
"""

from __future__ import annotations

import argparse
import time
from collections.abc import Callable, Iterator
from dataclasses import dataclass

import cv2
import numpy as np
from numpy.typing import NDArray

from calibration.beam.coarse import CoarseMap, coarse_map, coarse_pictures
from calibration.beam.decoding import decode
from calibration.beam.mesh import Mesh, mesh
from calibration.beam.patterns import Patterns
from calibration.beam.projector import solve_projector
from calibration.beam.steady import Bumped
from calibration.lens.camera import CalibrationError
from calibration.light import linear_grey
from calibration.pinhole import Lens, Pinhole
from calibration.projection import PARAMETERS
from calibration.rig import Device
from projector.rehearsal.optics import Optics
from projector.rehearsal.quirks import CameraQuirks, MatQuirks, ProjectorQuirks, Quirks
from tests.measure.tables import KINDS, Kind, Trial, mat_grid

Floats = NDArray[np.float64]
Picture = NDArray[np.uint8]

PITCH_PX = 64  # of dots and of squares
SHIFTS = 4  # each way
DOT_SD = 8.0
HOW_MANY = ("plain", "light mat", "red mat", "gloss and stains", "contrast 200", "gamma 2.6 projector")
MORE = {
    "soft camera": Kind(Quirks(camera=CameraQuirks(blur_px=2.0))),
    "light, contrast 200, gloss": Kind(
        Quirks(projector=ProjectorQuirks(contrast=200.0), mat=MatQuirks(look="light", gloss=1.0))
    ),
}


@dataclass(frozen=True, slots=True)
class Way:
    """One way to get correspondences from a table."""

    name: str
    read: Callable[[Trial], tuple[Mesh, int] | None]  # and the number of pictures


def fringes(trial: Trial) -> tuple[Mesh, int] | None:
    size = trial.table.projector_px
    read = decode(trial.seen(Patterns(size)), size)
    return None if isinstance(read, Bumped) else (mesh(read), len(Patterns(size)))


def shifts() -> Iterator[tuple[int, int]]:
    step = PITCH_PX // SHIFTS
    return ((step * i, step * j) for j in range(SHIFTS) for i in range(SHIFTS))


def over_white(trial: Trial, picture: Picture, white: Floats, black: Floats) -> Floats:
    light = linear_grey(trial.shows(picture)).astype(float)
    return np.clip((light - black) / np.maximum(white - black, 0.004), 0.0, 1.2)


def dots(trial: Trial) -> tuple[Mesh, int] | None:
    size = w, h = trial.table.projector_px
    rough = coarse_map(trial.seen(coarse_pictures(size)), size)
    if not isinstance(rough, CoarseMap):
        return None
    white, black = (linear_grey(trial.lights(level)).astype(float) for level in (255, 0))
    camera_px, projector_px = [], []
    for sx, sy in shifts():
        x, y = np.meshgrid(np.arange(sx + 16, w - 16, PITCH_PX), np.arange(sy + 16, h - 16, PITCH_PX))
        places = np.column_stack([x.ravel(), y.ravel()]).astype(float)
        near = np.zeros((h, w))
        near[y, x] = 1.0
        light = cv2.GaussianBlur(near, (0, 0), DOT_SD)
        picture = np.rint(255 * (light / light.max()) ** (1 / 2.2)).astype(np.uint8)
        share = over_white(trial, np.repeat(picture[:, :, None], 3, axis=2), white, black)
        for place, at in zip(places, rough.camera_px_from_projector(places), strict=True):
            middle = centroid(share, at)
            if middle is not None:
                camera_px.append(middle)
                projector_px.append(place)
    u = np.full((len(camera_px), 2), 0.05)
    return Mesh(np.array(camera_px), np.array(projector_px), u), 14 + SHIFTS**2


def centroid(share: Floats, at: Floats, reach: int = 22) -> Floats | None:
    """Middle of the light of one dot: its brightest pixel near a guess, then the mean weighted by a soft window."""
    h, w = share.shape
    x, y = (int(v) for v in np.rint(at))
    if not (reach < x < w - reach and reach < y < h - reach):
        return None
    box = share[y - reach : y + reach + 1, x - reach : x + reach + 1]
    row, column = np.unravel_index(int(np.argmax(cv2.GaussianBlur(box, (0, 0), 3.0))), box.shape)
    middle = np.array([x - reach + column, y - reach + row], float)
    left, top = max(x - 40, 0), max(y - 40, 0)
    values = share[top : y + 41, left : x + 41]
    rows, columns = np.mgrid[top : top + values.shape[0], left : left + values.shape[1]]
    if box.max() < 0.4:
        return None
    for _ in range(12):
        window = values * np.exp(-0.5 * ((columns - middle[0]) ** 2 + (rows - middle[1]) ** 2) / 8.0**2)
        middle = np.array([(window * columns).sum(), (window * rows).sum()]) / window.sum()
    return middle


def charuco(trial: Trial) -> tuple[Mesh, int] | None:
    w, h = trial.table.projector_px
    white, black = (linear_grey(trial.lights(level)).astype(float) for level in (255, 0))
    words = cv2.aruco.getPredefinedDictionary(cv2.aruco.DICT_5X5_1000)
    across, up = w // PITCH_PX - 1, h // PITCH_PX - 1
    board = cv2.aruco.CharucoBoard((across, up), 1.0, 0.75, words)
    drawn = board.generateImage((across * PITCH_PX, up * PITCH_PX))
    detector = cv2.aruco.CharucoDetector(board)
    camera_px, projector_px = [], []
    for sx, sy in shifts():
        picture = np.full((h, w), 255, np.uint8)
        picture[sy : sy + up * PITCH_PX, sx : sx + across * PITCH_PX] = drawn
        share = over_white(trial, np.repeat(picture[:, :, None], 3, axis=2), white, black)
        seen, ids, _, _ = detector.detectBoard(np.rint(200 * share).clip(0, 255).astype(np.uint8))
        if ids is None:
            continue
        camera_px.append(np.asarray(seen, float).reshape(-1, 2))
        corners = np.asarray(board.getChessboardCorners())[ids.ravel(), :2]
        projector_px.append(corners * PITCH_PX + [sx - 0.5, sy - 0.5])
    if not camera_px:
        return None
    u = np.full((sum(len(c) for c in camera_px), 2), 0.05)
    return Mesh(np.concatenate(camera_px), np.concatenate(projector_px).astype(float), u), 2 + SHIFTS**2


WAYS = (Way("fringes", fringes), Way("dots", dots), Way("ChArUco", charuco))


def device_of(optics: Optics) -> Device:
    lens = Lens(optics.size_px, optics.focal_px, optics.centre_px, optics.brown)
    return Device(Pinhole(lens, optics.axes, -optics.axes @ optics.at_mm), np.zeros((PARAMETERS, PARAMETERS)), 0.0)


def row(way: Way, kind: Kind, seed: int) -> str:
    trial = Trial(seed, kind)
    trial.now_s = 2.0
    began = time.perf_counter()
    found = way.read(trial)
    took = time.perf_counter() - began
    truth = trial.close()
    if found is None or len(found[0].camera_px) == 0:
        return f"| {way.name} | - | nothing read | | | |"
    points, pictures = found
    true = truth.projector.px_from_level(truth.camera.level_from_px(points.camera_px, 0.0), 0.0)
    off = points.projector_px - true
    try:
        solved = solve_projector(points, truth.projector.size_px, device_of(truth.camera)).device
    except CalibrationError as error:
        return f"| {way.name} | {pictures} | {error} | | | |"
    grid = mat_grid()
    miss = np.hypot(*(truth.projector.level_from_px(solved.pinhole.px_from_mat(grid), 0.0) - grid).T)
    return (
        f"| {way.name} | {pictures} | {len(off)} | {np.sqrt(np.mean(off**2)):.3f} / {np.median(np.abs(off)):.3f} / "
        f"{np.abs(off).max():.2f} | {np.sqrt(np.mean(miss**2)):.4f} / {miss.max():.4f} | {took:.0f} |"
    )


def main() -> None:
    reader = argparse.ArgumentParser(description=__doc__)
    reader.add_argument("--only", action="append", choices=[*KINDS, *MORE])
    reader.add_argument("--seed", type=int, default=1)
    told = reader.parse_args()
    for name in told.only or (*HOW_MANY, *MORE):
        print(
            f"\n{name}\n\n| way | pictures | points | px RMS / median / worst | light on the mat, mm RMS / worst | s |"
        )
        print("| --- | --- | --- | --- | --- | --- |")
        for way in WAYS:
            print(row(way, {**KINDS, **MORE}[name], told.seed), flush=True)


if __name__ == "__main__":
    main()
