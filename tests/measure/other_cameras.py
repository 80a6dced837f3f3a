"""A rendered set as other cameras would have given it: softer, noisier, sharpened, in other light.

    python -m tests.measure.other_cameras FOLDER TO

Of every picture of FOLDER a copy is written to TO/KIND, for each of `KINDS`; `tests.whole.frames_score TO/KIND` scores
it against the same truth. Light is added up and noise drawn in linear light, where a sensor does so.
"""

from __future__ import annotations

import argparse
import shutil
from collections.abc import Callable
from pathlib import Path

import cv2
import numpy as np
from numpy.typing import NDArray

from projector.rehearsal.light.curves import linear_from_srgb, srgb_from_linear

Floats = NDArray[np.float64]
Random = np.random.Generator

GREY_LEVELS = 0.6  # of 255: a picture that is written down anew is as noisy as a good camera's
WARM = (0.45, 0.7, 0.95)  # of blue, green, red


def main() -> None:
    reader = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    reader.add_argument("folder", type=Path)
    reader.add_argument("to", type=Path)
    told = reader.parse_args()
    for kind, (change, quality) in KINDS.items():
        (told.to / kind).mkdir(parents=True, exist_ok=True)
        rng = np.random.default_rng(7)
        for path in sorted(told.folder.iterdir()):
            if path.suffix != ".jpg":
                shutil.copy(path, told.to / kind)
                continue
            light = linear_from_srgb(np.asarray(cv2.imread(str(path)), np.float64) / 255.0)
            seen = change(light, rng, path.name.startswith("units"))
            bytes_ = np.clip(np.rint(seen), 0.0, 255.0).astype(np.uint8)
            cv2.imwrite(str(told.to / kind / path.name), bytes_, [cv2.IMWRITE_JPEG_QUALITY, quality])


def encoded(light: Floats, rng: Random | None = None) -> Floats:
    """sRGB, 0 to 255."""
    levels = 255.0 * srgb_from_linear(np.clip(light, 0.0, 1.0))
    return levels if rng is None else levels + rng.normal(0.0, GREY_LEVELS, levels.shape)


def _soft(light: Floats, rng: Random, _: bool) -> Floats:
    return encoded(np.asarray(cv2.GaussianBlur(light, (0, 0), 1.0)), rng)


def _noisy(light: Floats, rng: Random, _: bool) -> Floats:
    return encoded(light + rng.normal(size=light.shape) * np.sqrt(0.006**2 + 0.0006 * light))


def _sharpened(light: Floats, rng: Random, _: bool) -> Floats:
    """Luma alone, as cameras do."""
    levels = encoded(light, rng)
    luma = levels @ [0.114, 0.587, 0.299]
    return levels + 0.8 * (luma - cv2.GaussianBlur(luma, (0, 0), 1.2))[..., None]


def _warm(light: Floats, rng: Random, _: bool) -> Floats:
    return encoded(light * np.array(WARM), rng)


def _exposed_less(light: Floats, rng: Random, units: bool) -> Floats:
    """Than the empty mat and the sheets."""
    return encoded(light * (0.8 if units else 1.0), rng)


KINDS: dict[str, tuple[Callable[[Floats, Random, bool], Floats], int]] = {
    "soft": (_soft, 90),
    "noisy": (_noisy, 90),
    "sharpened": (_sharpened, 85),
    "warm": (_warm, 93),
    "exposed_less": (_exposed_less, 93),
}


if __name__ == "__main__":
    main()
