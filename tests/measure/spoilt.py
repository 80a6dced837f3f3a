"""Photographs spoilt at random, as no camera should give them: `check` ends with a result, or with a line.

    python -m tests.measure.spoilt FOLDER RIG [--pictures N] [--seed S] [--keep FOLDER]

FOLDER holds units_*.jpg, strip_*.jpg, star_*.jpg and empty_*.jpg, RIG is the rig file of their camera. Each picture is
spoilt in one to three ways (`WAYS`), the empty mat's in the same ways or not at all, and checked with shapes expected
or none. Printed is each one's outcome and time; kept are those that ended in a fault, with the command that repeats it.
"""

from __future__ import annotations

import argparse
import contextlib
import io
import tempfile
import time
import traceback
from collections.abc import Callable
from pathlib import Path

import cv2
import numpy as np
from numpy.typing import NDArray

from projector.commands import FOR_THE_PERSON, parser

Picture = NDArray[np.uint8]
Random = np.random.Generator

SHAPES = ("square(4 in)", "slant(3 1/2 in, 2 in, 45 deg, right, 1 3/4 in)", "strip(160 mm)", "star(16, 457.2 mm)")


def main() -> int:
    reader = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    reader.add_argument("folder", type=Path)
    reader.add_argument("rig", type=Path)
    reader.add_argument("--pictures", type=int, default=100)
    reader.add_argument("--seed", type=int, default=1)
    reader.add_argument("--keep", type=Path, default=Path(tempfile.gettempdir()) / "spoilt")
    told = reader.parse_args()
    told.keep.mkdir(parents=True, exist_ok=True)
    names = sorted(path for kind in ("units", "strip", "star") for path in told.folder.glob(f"{kind}_*.jpg"))
    faults = 0
    for k in range(told.pictures):
        rng = np.random.default_rng((told.seed, k))
        ways = [str(way) for way in rng.choice(list(WAYS), size=rng.integers(1, 4), replace=False)]
        picture, empty = told.keep / f"{told.seed}_{k}.png", told.keep / f"{told.seed}_{k}_empty.png"
        write(picture, spoilt(names[rng.integers(len(names))], ways, told.seed, k))
        write(empty, spoilt(told.folder / "empty_01.jpg", ways if rng.random() < 0.4 else [], told.seed, k))
        words = ["check", str(picture), "--rig", str(told.rig)]
        words += ["--empty", str(empty)] if rng.random() < 0.8 else []
        for shape in SHAPES:
            words += ["--expect", shape] if rng.random() < 0.25 else []
        words += ["--picture", str(told.keep / "drawn.png")] if rng.random() < 0.3 else []
        began = time.monotonic()
        outcome, fault = outcome_of(words)
        print(f"{k}: {' '.join(ways)}, {time.monotonic() - began:.1f} s: {outcome}", flush=True)
        if fault:
            print(f"   chalkbeam {' '.join(words)}", flush=True)
            faults += 1
        else:
            picture.unlink()
            empty.unlink()
    print(f"{faults} faults in {told.pictures} pictures")
    return int(faults > 0)


def outcome_of(words: list[str]) -> tuple[str, bool]:
    """What `chalkbeam` says last of a command line, or where it is at fault; and whether it is."""
    said = io.StringIO()
    try:
        with contextlib.redirect_stdout(said), contextlib.redirect_stderr(said):
            args = parser().parse_args(words)
            args.run(args)
    except FOR_THE_PERSON as error:
        return str(error)[:100], False
    except Exception as error:  # what is looked for
        steps = traceback.extract_tb(error.__traceback__)[::-1]
        where = " < ".join(f"{Path(step.filename).name}:{step.lineno}" for step in steps[:6])
        return f"{type(error).__name__}: {error}; {where}", True
    return said.getvalue().strip().splitlines()[-1][:100], False


def write(path: Path, picture: Picture) -> None:
    cv2.imwrite(str(path), picture)


def spoilt(path: Path, ways: list[str], seed: int, number: int) -> Picture:
    """The photograph spoilt in these ways, one after another; the same each time for a seed and a number."""
    picture, rng = np.asarray(cv2.imread(str(path)), np.uint8), np.random.default_rng((seed, number, 1))
    for way in ways:
        picture = _bytes(WAYS[way](picture, rng))
    return picture


def _bytes(values: NDArray[np.generic]) -> Picture:
    return np.ascontiguousarray(np.clip(np.rint(values.astype(np.float64)), 0.0, 255.0).astype(np.uint8))


def _blurred(picture: Picture, rng: Random) -> Picture:
    return np.asarray(cv2.GaussianBlur(picture, (0, 0), rng.uniform(0.5, 6.0)), np.uint8)


def _noisy(picture: Picture, rng: Random) -> NDArray[np.float64]:
    return picture + rng.normal(0.0, rng.uniform(1.0, 30.0), picture.shape)


def _blotched(picture: Picture, rng: Random) -> NDArray[np.float64]:
    """Noise that hangs together over many pixels."""
    coarse = rng.normal(0.0, 15.0, (picture.shape[0] // 27, picture.shape[1] // 27, 3))
    return np.asarray(picture + cv2.resize(coarse, picture.shape[1::-1]))


def _in_few_steps(picture: Picture, rng: Random) -> NDArray[np.float64]:
    steps = float(rng.integers(2, 20))
    return np.rint(picture / 255.0 * steps) / steps * 255.0


def _compressed(picture: Picture, rng: Random) -> Picture:
    _, data = cv2.imencode(".jpg", picture, [cv2.IMWRITE_JPEG_QUALITY, int(rng.integers(3, 60))])
    return np.asarray(cv2.imdecode(data, cv2.IMREAD_COLOR), np.uint8)


def _covered(picture: Picture, rng: Random) -> Picture:
    """A part of one colour, somewhere."""
    low = rng.integers(0, np.array(picture.shape[:2]) * 3 // 4)
    high = low + rng.integers(50, 800, 2)
    result = picture.copy()
    result[low[0] : high[0], low[1] : high[1]] = rng.integers(0, 256, 3)
    return result


def _coloured(picture: Picture, rng: Random) -> Picture:
    """Colours stronger or weaker, down to none."""
    hsv = cv2.cvtColor(picture, cv2.COLOR_BGR2HSV)
    hsv[..., 1] = np.clip(hsv[..., 1] * rng.uniform(0.0, 3.0), 0.0, 255.0)
    return np.asarray(cv2.cvtColor(hsv, cv2.COLOR_HSV2BGR), np.uint8)


def _grey(picture: Picture, _: Random) -> Picture:
    return np.asarray(cv2.cvtColor(cv2.cvtColor(picture, cv2.COLOR_BGR2GRAY), cv2.COLOR_GRAY2BGR), np.uint8)


def _coarse(picture: Picture, rng: Random) -> Picture:
    small = cv2.resize(picture, None, fx=0.25, fy=0.25, interpolation=cv2.INTER_AREA)
    how = int(rng.choice([cv2.INTER_NEAREST, cv2.INTER_LINEAR]))
    return np.asarray(cv2.resize(small, picture.shape[1::-1], interpolation=how), np.uint8)


def _scribbled(picture: Picture, rng: Random) -> Picture:
    """Threads and lines across everything."""
    result, size = picture.copy(), np.array(picture.shape[1::-1])
    for _ in range(12):
        start, end = (tuple(int(x) for x in rng.integers(0, size)) for _ in range(2))
        cv2.line(result, start, end, [int(x) for x in rng.integers(0, 256, 3)], int(rng.integers(1, 12)))
    return result


def _sharpened(picture: Picture, rng: Random) -> NDArray[np.float64]:
    amount, radius_px, seen = rng.uniform(0.3, 4.0), rng.uniform(0.5, 3.0), picture.astype(np.float64)
    return np.asarray(seen + amount * (seen - cv2.GaussianBlur(seen, (0, 0), radius_px)))


WAYS: dict[str, Callable[[Picture, Random], NDArray[np.generic]]] = {
    "blurred": _blurred,
    "noisy": _noisy,
    "blotched": _blotched,
    "in few steps": _in_few_steps,
    "compressed": _compressed,
    "covered": _covered,
    "coloured": _coloured,
    "grey": _grey,
    "coarse": _coarse,
    "scribbled": _scribbled,
    "sharpened": _sharpened,
    "darker or brighter": lambda picture, rng: picture * np.exp(rng.uniform(-3.5, 1.4)),
    "other tone curve": lambda picture, rng: 255.0 * (picture / 255.0) ** rng.uniform(0.3, 3.0),
    "inverted": lambda picture, _: 255 - picture,
    "shifted": lambda picture, rng: np.roll(picture, rng.integers(-9, 10, 2), (0, 1)),
    "smoothed": lambda picture, rng: np.asarray(cv2.medianBlur(picture, int(rng.choice([3, 5, 9, 15])))),
    "smoothed between edges": lambda picture, _: np.asarray(cv2.bilateralFilter(picture, 9, 60.0, 5.0)),
}


if __name__ == "__main__":
    raise SystemExit(main())
