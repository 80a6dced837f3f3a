"""How long a camera's solution takes next to a plain `cv2.calibrateCamera` on the same views, and how that grows.

    python -m tests.measure.camera_speed

Both run in this process in turns, on one thread, the best of some runs each, in the processor's time; ratios are what
counts. Start, bending, covariance and checks are included in ours. Corners alone are simulated (`camera_rigs.py`).
"""

from __future__ import annotations

import argparse
import time
from collections.abc import Callable

import cv2
import numpy as np

from calibration.lens.camera import solve_camera
from tests.measure.camera_rigs import Kind, Rig, draw_rig

VIEWS = {5: (3, 2), 15: (9, 6), 30: (18, 12), 60: (36, 24)}


def plain(rig: Rig) -> None:
    views = [*rig.flat, *rig.tilted]
    objects = [np.column_stack([v.corners_sheet_mm, np.zeros(len(v.ids))]).astype(np.float32) for v in views]
    images = [v.corners_px.astype(np.float32) for v in views]
    cv2.calibrateCamera(objects, images, rig.camera.size_px, np.eye(3), np.zeros(5))


def ours(rig: Rig) -> None:
    solve_camera(rig.flat, rig.tilted, rig.camera.size_px)


def seconds(work: Callable[[Rig], None], rig: Rig) -> float:
    began = time.process_time()
    work(rig)
    return time.process_time() - began


def main() -> None:
    reader = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    reader.add_argument("--runs", type=int, default=7)
    reader.add_argument("--rigs", type=int, default=5)
    told = reader.parse_args()
    cv2.setNumThreads(1)
    print("| sheets | views | plain, ms | ours, ms | ratio: median, most |\n| --- | --- | --- | --- | --- |")
    for lift_mm in (0.0, 0.5):
        for count, views in VIEWS.items():
            rigs = [draw_rig(np.random.default_rng(n), Kind(views=views, lift_mm=lift_mm)) for n in range(told.rigs)]
            both = np.array(
                [np.min([(seconds(plain, rig), seconds(ours, rig)) for _ in range(told.runs)], axis=0) for rig in rigs]
            )
            ratios, (one, other) = both[:, 1] / both[:, 0], 1000 * np.median(both, axis=0)
            how = f"{np.median(ratios):.2f}, {ratios.max():.2f}"
            print(f"| {'lifted' if lift_mm else 'flat'} | {count} | {one:.0f} | {other:.0f} | {how} |", flush=True)


if __name__ == "__main__":
    main()
