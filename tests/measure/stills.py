"""Many photographs as a pile: time beside bare decoding of the same files, by number of processes, and memory.

    OMP_NUM_THREADS=1 python -m tests.measure.stills [--count 10000] [--units 6] [--size 1920x1080] [--workers 1 2]
    ... --count 10000 --units 1 --size 960x540 --workers 2 --within 1500 --every 20

Each run is `chalkbeam pile --from`, records and all. Bare decoding is `cv2.imread` in as many processes as there are
cores. Photographs of a virtual table are generated and stand under many names. Memory is what this process and its
largest worker hold, looked at every second and told at each tenth of the run: flat if the rows are alike. A run that
takes longer than `--within` seconds is interrupted as by Ctrl-C, and told as far as it came. With `--every N` only each
Nth photograph shows units and the others the bare mat, which is sooner looked through.
"""

from __future__ import annotations

import argparse
import json
import multiprocessing
import os
import signal
import tempfile
import threading
import time
from collections.abc import Sequence
from concurrent.futures import ProcessPoolExecutor
from contextlib import redirect_stderr, redirect_stdout, suppress
from dataclasses import dataclass
from pathlib import Path

import cv2
import numpy as np
from numpy.typing import NDArray

from calibration.rigfile import save_rig
from projector.commands import main as chalkbeam
from projector.commands.pilefrom import cores
from projector.piecing.planreading import plan_text
from projector.piecing.plans import Cut, Plan, Strip, Unit
from projector.rehearsal.person.feeding import PileToFeed
from projector.rehearsal.setting import setting_of
from tests.measure.piles import SMALL, feeder_table
from tests.projector.exactrig import exact_rig

QUALITY, LOOK_S, TENTHS = 95, 1.0, 10
PLAN = Plan("heap", (Strip("brown", 60.0, 1000.0),), (Unit("small", Cut("brown", 8, 60.0)),))
MB = 2**20


@dataclass(frozen=True)
class Run:
    """How far one run came, and what was held in memory meanwhile."""

    took_s: float
    pictures: int
    units: int
    held_mb: list[tuple[float, float, float]]  # when, here, by the largest worker


def photographs(
    folder: Path, count: int, different: int, units: int, size_px: tuple[int, int], every: int
) -> list[Path]:
    """The photographs by name, in `shots`; beside it one of the bare mat, the rig and the plan."""
    shots, bare = list[bytes](), list[bytes]()
    while len(shots) < min(different, count):
        world, table, _ = feeder_table(1, PileToFeed(SMALL, units, (units,)), size_px, [])
        table.throw(np.full((size_px[1], size_px[0], 3), 255, np.uint8))
        if not shots:
            cv2.imwrite(str(folder / "bare.png"), table.look().pixels)
        bare += [jpeg(table.look().pixels) for _ in range(8)]
        world.hears({"event": "ask", "what": "unit"}, table.clock.now_s())
        table.clock.wait_s(2.0 + 0.01 * len(shots))  # other noise, the same table
        for _ in range(8):
            shots.append(jpeg(table.look().pixels))
    (folder / "shots").mkdir()
    paths = [folder / "shots" / f"lot_{n:05d}.jpg" for n in range(count)]
    written = dict[tuple[bool, int], Path]()
    for n, path in enumerate(paths):
        kind = n % every == 0, (n // every if n % every == 0 else n) % len(shots)
        if kind in written:
            os.link(written[kind], path)
        else:
            path.write_bytes((shots if kind[0] else bare)[kind[1]])
            written[kind] = path
    save_rig(exact_rig(setting_of(1, size_px, size_px)), folder / "rig.json")
    (folder / "plan.toml").write_text(plan_text(PLAN), encoding="utf-8")
    return paths


def jpeg(picture: NDArray[np.uint8]) -> bytes:
    return cv2.imencode(".jpg", picture, [cv2.IMWRITE_JPEG_QUALITY, QUALITY])[1].tobytes()


def decoded(path: Path) -> int:
    return int(cv2.imread(str(path)).shape[0])


def decoding_s(paths: Sequence[Path], workers: int) -> float:
    with ProcessPoolExecutor(workers, multiprocessing.get_context("spawn"), cv2.setNumThreads, (1,)) as pool:
        list(pool.map(decoded, paths[: 2 * workers]))  # started before the clock is
        began_s = time.perf_counter()
        list(pool.map(decoded, paths, chunksize=8))
        return time.perf_counter() - began_s


def held_mb(pid: int) -> float:
    """What a process holds in memory now; 0 where it has ended."""
    with suppress(OSError):
        return int(Path(f"/proc/{pid}/statm").read_text().split()[1]) * os.sysconf("SC_PAGE_SIZE") / MB
    return 0.0


def run(folder: Path, workers: int, within_s: float) -> Run:
    """One run of the command, looked at from beside."""
    began_s, over, held = time.perf_counter(), threading.Event(), list[tuple[float, float, float]]()

    def look() -> None:
        while not over.wait(LOOK_S):
            at_s = time.perf_counter() - began_s
            of_workers = [held_mb(one.pid) for one in multiprocessing.active_children() if one.pid]
            held.append((at_s, held_mb(os.getpid()), max(of_workers, default=0.0)))
            if at_s > within_s:
                os.kill(os.getpid(), signal.SIGINT)
                return

    beside = threading.Thread(target=look)
    words = "pile", folder / "plan.toml", "--rig", folder / "rig.json", "--from", folder / "shots", "--json"
    records = "--empty", folder / "bare.png", "--records", folder / f"{workers}.sqlite", "--workers", workers
    with (folder / "out").open("w") as out, (folder / "err").open("w") as err, suppress(SystemExit):
        beside.start()
        with redirect_stdout(out), redirect_stderr(err):
            chalkbeam([str(word) for word in (*words, *records)])
    over.set()
    took_s = time.perf_counter() - began_s
    beside.join()
    frames, units, pictures = set[str](), 0, None
    for line in (folder / "out").open():
        event = json.loads(line)
        units += event["event"] == "unit"
        frames |= {event["frame"]} if event["event"] in ("unit", "refused") else set()
        pictures = event.get("pictures", pictures)
    return Run(took_s, pictures or len(frames), units, held)


def main() -> None:
    reader = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    reader.add_argument("--count", type=int, default=10_000)
    reader.add_argument("--different", type=int, default=200)
    reader.add_argument("--units", type=int, default=6)
    reader.add_argument("--size", default="1920x1080")
    reader.add_argument("--workers", type=int, nargs="+", default=[1, 2])
    reader.add_argument("--every", type=int, default=1, metavar="N")
    reader.add_argument("--within", type=float, default=np.inf, metavar="SECONDS")
    told = reader.parse_args()
    wide, high = (int(part) for part in told.size.split("x"))
    cv2.setNumThreads(1)
    with tempfile.TemporaryDirectory() as name:
        folder = Path(name)
        paths = photographs(folder, told.count, told.different, told.units, (wide, high), told.every)
        bare = told.count / decoding_s(paths, cores())
        print(f"{told.count} photographs, {told.units} units in 1 of {told.every}, {told.size}, {cores()} cores")
        print(f"bare decoding, all cores: {bare:.1f} a second", flush=True)
        first = None
        for workers in told.workers:
            one = run(folder, workers, told.within)
            rate = one.pictures / one.took_s
            first = first or rate
            print(
                f"{workers} processes: {one.pictures} pictures, {one.units} units in {one.took_s:.0f} s, {rate:.2f} a "
                f"second; {rate / bare:.4f} of bare decoding, {rate / first:.2f} times the first"
            )
            print("| s | MB here | MB of the largest worker |\n| --- | --- | --- |")
            for tenth in range(1, TENTHS + 1):
                at = one.held_mb[: max(len(one.held_mb) * tenth // TENTHS, 1)][-1]
                print(f"| {at[0]:.0f} | {at[1]:.0f} | {at[2]:.0f} |", flush=True)


if __name__ == "__main__":
    main()
