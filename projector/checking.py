"""Measure photographs: every unit in each, and all of them as a pile."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from pathlib import Path

import numpy as np
from numpy.typing import NDArray

from calibration.rig import Rig
from vision.compare import judge
from vision.expected import ExpectedShape
from vision.light import linear_image, mean_light
from vision.mat import compare_with_mat, guessed_mat_picture, mat_picture, on_mat_mask
from vision.measure import PLAIN_CLOTH, Cloth, Trust, measure_units
from vision.pictures import read_picture
from vision.units import Judged

Picture = NDArray[np.uint8]


class CheckError(Exception):
    """A photograph cannot be measured with this rig; the message says in one line what to do."""


@dataclass(frozen=True, eq=False, slots=True)
class Checked:
    """One photograph and the units in it."""

    name: str
    pixels: Picture
    units: tuple[Judged, ...]


def check_photographs(
    paths: Sequence[Path],
    rig: Rig,
    expected: Sequence[ExpectedShape] = (),
    empty: Sequence[Path] = (),
    cloth: Cloth = PLAIN_CLOTH,
) -> Iterator[Checked]:
    """Measure each photograph in turn. Raises CheckError, PictureError."""
    bare = [_read(path, rig) for path in empty]
    mat = mat_picture(mean_light(bare, rig.tone)) if bare else None
    width, height = rig.camera.pinhole.lens.size_px
    # With a picture of the bare mat, all that differs from it is cloth, wherever it lies; without, only the mat's
    # own area can be told from the table around it.
    everywhere = np.ones((height, width), bool)
    on_mat = everywhere if mat is not None else on_mat_mask(rig.camera.pinhole, rig.area_mat_mm)
    trust = Trust(rig.camera_over_area().rms_mm, rig.scale_u)
    for path in paths:
        pixels = _read(path, rig)
        linear = linear_image(pixels, rig.tone)
        scene = compare_with_mat(linear, mat or guessed_mat_picture(linear, on_mat), on_mat, rig.tone)
        units = measure_units(scene, rig.camera.pinhole, on_mat, cloth, trust)
        yield Checked(str(path), pixels, tuple(judge(unit, expected) for unit in units))


def _read(path: Path, rig: Rig) -> Picture:
    pixels = read_picture(path)
    size, (width, height) = pixels.shape[1::-1], rig.camera.pinhole.lens.size_px
    if size != (width, height):
        raise CheckError(
            f"{path} is {size[0]}x{size[1]}, the rig's camera {width}x{height}; "
            "use pictures in the size that the rig was made with"
        )
    return pixels
