"""Many photographs as a pile: time beside bare decoding of the same files, by number of processes, and memory.

    python -m tests.measure.stills [--count 10000] [--units 6] [--size 1920x1080] [--workers 1 2]

Bare decoding is `cv2.imread` in as many processes, all cores. A few photographs of a virtual table are generated and
stand under many names. Memory is the most that this process and its children held, at a tenth of the count and at the
end: flat if the two are alike.
"""

from __future__ import annotations

import argparse
import multiprocessing
import os
import resource
import tempfile
import time
from collections.abc import Sequence
from concurrent.futures import ProcessPoolExecutor
from pathlib import Path

import cv2
import numpy as np

from projector.checking import Checker
from projector.commands.pilefrom import cores
from projector.lots import measured_lots
from projector.rehearsal.feeding import PileToFeed
from projector.rehearsal.setting import setting_of
from tests.measure.piles import SMALL, feeder_table
from tests.projector.exactrig import exact_rig
from vision.expected import ExpectedShape

DIFFERENT, QUALITY = 8, 95


def photographs(folder: Path, count: int, units: int, size_px: tuple[int, int]) -> tuple[list[Path], Path]:
    """The photographs by name, and one of the bare mat."""
    shots = []
    for seed in range(DIFFERENT):
        world, table, _ = feeder_table(1, PileToFeed(SMALL, units, (units,)), size_px, [])
        table.throw(np.full((size_px[1], size_px[0], 3), 255, np.uint8))
        bare = table.look().pixels
        world.hears({"event": "ask", "what": "unit"}, table.clock.now_s())
        table.clock.wait_s(2.0 + 0.1 * seed)
        shots.append(cv2.imencode(".jpg", table.look().pixels, [cv2.IMWRITE_JPEG_QUALITY, QUALITY])[1].tobytes())
    cv2.imwrite(str(folder / "bare.png"), bare)
    paths = [folder / f"lot_{n:05d}.jpg" for n in range(count)]
    for n, path in enumerate(paths):
        if n < DIFFERENT:
            path.write_bytes(shots[n])
        else:
            os.link(paths[n % DIFFERENT], path)
    return paths, folder / "bare.png"


def decoded(path: Path) -> int:
    return int(cv2.imread(str(path)).shape[0])


def decoding_s(paths: Sequence[Path], workers: int) -> float:
    with ProcessPoolExecutor(workers, multiprocessing.get_context("spawn")) as pool:
        list(pool.map(decoded, paths[: 2 * workers]))  # started before the clock is
        began_s = time.perf_counter()
        list(pool.map(decoded, paths, chunksize=8))
        return time.perf_counter() - began_s


def memory_mb() -> tuple[float, float]:
    """The most so far of this process, and of the largest child that has ended."""
    mine, children = (resource.getrusage(who).ru_maxrss for who in (resource.RUSAGE_SELF, resource.RUSAGE_CHILDREN))
    return mine / 1024, children / 1024


def main() -> None:
    reader = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    reader.add_argument("--count", type=int, default=10_000)
    reader.add_argument("--units", type=int, default=6)
    reader.add_argument("--size", default="1920x1080")
    reader.add_argument("--workers", type=int, nargs="+", default=[1, 2])
    told = reader.parse_args()
    wide, high = (int(part) for part in told.size.split("x"))
    cv2.setNumThreads(1)
    with tempfile.TemporaryDirectory() as folder:
        paths, bare = photographs(Path(folder), told.count, told.units, (wide, high))
        checker = Checker.of(exact_rig(setting_of(1, (wide, high), (wide, high))), [ExpectedShape("s", SMALL)], [bare])
        bare_s = decoding_s(paths, cores())
        print(f"{told.count} photographs of {told.units} units, {told.size}, {cores()} cores")
        print(f"bare decoding, all cores: {told.count / bare_s:.1f} a second")
        one_s = None
        for workers in told.workers:
            began_s, units, early = time.perf_counter(), 0, (0.0, 0.0)
            for n, lot in enumerate(measured_lots(paths, checker, workers), 1):
                units += len(lot.units)
                early = memory_mb() if n == max(told.count // 10, 1) else early
            took_s = time.perf_counter() - began_s
            one_s = one_s or took_s
            mine, children = memory_mb()
            print(
                f"{workers} processes: {told.count / took_s:.2f} a second, {units} units; {bare_s / took_s:.3f} of "
                f"bare decoding, {one_s / took_s:.2f} times the first; memory {early[0]:.0f} then {mine:.0f} MB here, "
                f"{children:.0f} MB a worker",
                flush=True,
            )


if __name__ == "__main__":
    main()
