"""How long measuring a decoded frame takes, next to threshold + contour + line fit on it, and where the time goes.

    python -m tests.measure.seeing_speed [--runs N]

One thread, time of the processor, so that other work does not count; both in turns in this process, the median of some
runs each, and the least. Frames are generated; the empty mat's picture and the camera are ready beforehand, and what
a frame's arrays took is kept for the next, as at the table. Memory is the most that a frame takes beyond what was
there.
"""

from __future__ import annotations

import argparse
import cProfile
import pstats
import time
import tracemalloc
from collections.abc import Callable
from dataclasses import replace

import cv2
import numpy as np

from tests.measure.seeing_plain import otsu_outlines
from tests.vision.exact_scenes import CONDITIONS, FULL_VIEW, Shot, shot
from vision.finding.mat import MatPicture, compare_with_mat, mat_picture
from vision.measure import Cloth, measure_units
from vision.warming import keep_memory

UHD_VIEW = replace(FULL_VIEW, size_px=(3840, 2160), mm_per_px=0.2, middle_px=(1863.1, 1056.1))
MOST = {"1 unit": 4.0, "12 units": 8.0, "12 units, prints": 8.0}  # times the plain way's time
STAGES = (
    "linear_image",
    "compare_with_mat",
    "find_pieces",
    "encoded_noise",
    "fit_outlines",
    "neighbours_of",
    "_with_full_corners",
    "find_seams",
    "rough_polygon",
    "blemishes_of",
    "before_sharpening",
)


def frames() -> dict[str, Shot]:
    """The same light and cloth in all of them."""
    plain = replace(CONDITIONS["36 dB"], reference=4)
    prints = replace(CONDITIONS["dots"], reference=4, units=12, size=0.8)
    twelve = replace(plain, units=12, size=0.8)
    return {
        "1 unit": shot(replace(plain, units=1), 1),
        "12 units": shot(twelve, 1),
        "12 units, prints": shot(prints, 1),
        "40 units": shot(replace(CONDITIONS["40 units"], reference=4), 1),
        "12 units, 3840 x 2160": _fine(twelve),
    }


def _fine(condition: object) -> Shot:
    return shot(replace(condition, mm_per_px=0.2), 1, UHD_VIEW)  # type: ignore[type-var]


def ours(one: Shot, mat: MatPicture, on_mat: np.ndarray) -> int:
    scene = compare_with_mat(one.pixels, mat, on_mat)
    return len(measure_units(scene, one.view.camera(), on_mat, Cloth(0.0, 0.0)))


def ms(work: Callable[[], object]) -> float:
    began = time.process_time()
    work()
    return 1000.0 * (time.process_time() - began)


def main() -> None:
    reader = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    reader.add_argument("--runs", type=int, default=11)
    told = reader.parse_args()
    cv2.setNumThreads(1)
    keep_memory()
    print("| frame | units | plain, ms: median, least | ours, ms | ratio: of medians, of least | wanted | memory, MB |")
    print("| --- | --- | --- | --- | --- | --- | --- |")
    medians, works = {}, {}
    for name, one in frames().items():
        assert one.bare is not None
        mat, on_mat = mat_picture(one.bare), np.ones(one.pixels.shape[:2], bool)
        works[name] = lambda one=one, mat=mat, on_mat=on_mat: ours(one, mat, on_mat)
        units = works[name]()
        times = np.array([(ms(lambda one=one: otsu_outlines(one.pixels)), ms(works[name])) for _ in range(told.runs)])
        (plain, own), least = np.median(times, axis=0), times.min(axis=0)
        medians[name] = own
        both = f"{own / plain:.2f}, {least[1] / least[0]:.2f}"
        cells = [name, units, f"{plain:.1f}, {least[0]:.1f}", f"{own:.0f}, {least[1]:.0f}", both, MOST.get(name, "")]
        print("| " + " | ".join(map(str, [*cells, f"{peak_mb(works[name]):.0f}"])) + " |", flush=True)
    growth = medians["12 units, 3840 x 2160"] / medians["12 units"]
    print(f"\n3840 x 2160 takes {growth:.2f} times as long as 1920 x 1080 (wanted: at most 4.5)")
    for name in ("1 unit", "12 units"):
        print(
            f"\nwhere the time of {name} goes, ms (of a profiled run, which is slower; stages overlap where they nest)"
        )
        print(stages(works[name]))


def peak_mb(work: Callable[[], object]) -> float:
    """What one frame takes at most beyond what was there, as NumPy reports it; OpenCV's own buffers are not in."""
    tracemalloc.start()
    work()
    peak = tracemalloc.get_traced_memory()[1]
    tracemalloc.stop()
    return peak / 1e6


def stages(work: Callable[[], object]) -> str:
    profile = cProfile.Profile(time.process_time)
    profile.enable()
    work()
    profile.disable()
    table = pstats.Stats(profile).stats  # type: ignore[attr-defined]
    total = sum(own for _, _, own, _, _ in table.values())
    named = [
        (1000 * cumulative, calls, key[2]) for key, (calls, _, _, cumulative, _) in table.items() if key[2] in STAGES
    ]
    lines = [f"{whole:8.1f}  {name} ({calls} calls)" for whole, calls, name in sorted(named, reverse=True)]
    dearest = sorted(((1000 * own, calls, key[2]) for key, (calls, _, own, _, _) in table.items()), reverse=True)[:8]
    alone = [f"{own:8.1f}  {name} ({calls} calls)" for own, calls, name in dearest]
    return "\n".join([f"{1000 * total:8.1f}  in all", *lines, "dearest by themselves:", *alone])


if __name__ == "__main__":
    main()
