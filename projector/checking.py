"""Measure photographs: every unit, strip and finished block in each."""

from __future__ import annotations

from collections.abc import Container, Iterator, Sequence
from dataclasses import dataclass
from pathlib import Path

import numpy as np
from numpy.typing import NDArray

from calibration.pinhole import Pinhole
from calibration.rig import Rig
from vision.blocks.measure import BLOCK_CLOTH, MeasuredBlock, measure_block
from vision.comparing.compare import judge
from vision.comparing.expected import ExpectedShape, ExpectedStar, ExpectedStrip
from vision.finding.mat import MatPicture, Scene, compare_with_mat, guessed_mat_picture, mat_picture, on_mat_mask
from vision.frames.pictures import read_picture
from vision.light import linear_image, mean_light
from vision.measure import PLAIN_CLOTH, Cloth, Pieces, Trust, find_pieces, measure_units
from vision.polygons import signed_area
from vision.strips.measure import measure_strips
from vision.strips.verdict import JudgedStrip, judge_strip
from vision.units import Judged, MeasuredUnit

Picture = NDArray[np.uint8]
Expected = ExpectedShape | ExpectedStrip | ExpectedStar

BLOCK_AREA = 0.15  # by this share a block's rough area may be off; its sides are looked at closely after that


class CheckError(Exception):
    """A photograph cannot be measured with this rig; the message says in one line what to do."""


@dataclass(frozen=True, eq=False, slots=True)
class Checked:
    """One photograph and what lies in it; a strip or a block is no unit."""

    name: str
    pixels: Picture
    units: tuple[Judged, ...]
    strips: tuple[JudgedStrip, ...] = ()
    blocks: tuple[tuple[MeasuredBlock, ExpectedStar], ...] = ()


def check_photographs(
    paths: Sequence[Path],
    rig: Rig,
    expected: Sequence[Expected] = (),
    empty: Sequence[Path] = (),
    cloth: Cloth = PLAIN_CLOTH,
    block_cloth: Cloth = BLOCK_CLOTH,
) -> Iterator[Checked]:
    """Measure each photograph in turn. Raises CheckError, PictureError."""
    checker = Checker.of(rig, expected, empty, cloth, block_cloth)
    for path in paths:
        yield checker.checked(path)


@dataclass(frozen=True, eq=False, slots=True)
class Checker:
    """All that photographs of one rig have in common; it can be handed to another process."""

    rig: Rig
    expected: tuple[Expected, ...]
    mat: MatPicture | None  # None: guessed from each photograph
    cloth: Cloth
    block_cloth: Cloth

    @staticmethod
    def of(
        rig: Rig,
        expected: Sequence[Expected] = (),
        empty: Sequence[Path] = (),
        cloth: Cloth = PLAIN_CLOTH,
        block_cloth: Cloth = BLOCK_CLOTH,
    ) -> Checker:
        """With pictures of the bare mat, if there are any. Raises CheckError, PictureError."""
        bare = [_read(path, rig) for path in empty]
        mat = mat_picture(mean_light(bare, rig.tone)) if bare else None
        return Checker(rig, tuple(expected), mat, cloth, block_cloth)

    def checked(self, path: Path) -> Checked:
        """What lies in one photograph. Raises CheckError, PictureError."""
        rig, pixels = self.rig, _read(path, self.rig)
        width, height = rig.camera.pinhole.lens.size_px
        # With a picture of the bare mat, all that differs from it is cloth, wherever it lies; without, only the mat's
        # own area can be told from the table around it.
        everywhere = np.ones((height, width), bool)
        on_mat = everywhere if self.mat is not None else on_mat_mask(rig.camera.pinhole, rig.area_mat_mm)
        trust = Trust(rig.camera_over_area().rms_mm, rig.scale_u, rig.camera)
        mat = self.mat or guessed_mat_picture(linear_image(pixels, rig.tone), on_mat, rig.camera.pinhole)
        scene = compare_with_mat(pixels, mat, on_mat, rig.tone)
        look = _Look(scene, rig.camera.pinhole, on_mat, trust, self.cloth, self.block_cloth)
        return look.checked(str(path), pixels, self.expected)


@dataclass(frozen=True, eq=False, slots=True)
class _Look:
    """One photograph, ready to be measured."""

    scene: Scene
    camera: Pinhole
    on_mat: NDArray[np.bool_]
    trust: Trust
    cloth: Cloth
    block_cloth: Cloth

    def checked(self, name: str, pixels: Picture, expected: Sequence[Expected]) -> Checked:
        """What is a strip or a block is no unit: each piece of cloth is measured as one thing."""
        shapes = [one for one in expected if isinstance(one, ExpectedShape)]
        wide = [one for one in expected if isinstance(one, ExpectedStrip)]
        stars = [one for one in expected if isinstance(one, ExpectedStar)]
        pieces = find_pieces(self.scene, self.camera, self.on_mat)
        strips = measure_strips(self.scene, self.camera, self.on_mat, pieces, self.cloth, self.trust, wide, shapes)
        blocks = self._blocks(pieces, [i for i in range(len(pieces.regions)) if i not in strips], stars)
        units = self._units(pieces, self.cloth, strips.keys() | blocks.keys())
        return Checked(
            name,
            pixels,
            tuple(judge(unit, shapes) for unit in units),
            tuple(judge_strip(strip, wide) for strip in strips.values()),
            tuple(blocks.values()),
        )

    def _units(self, pieces: Pieces, cloth: Cloth, leave: Container[int]) -> tuple[MeasuredUnit, ...]:
        return measure_units(self.scene, self.camera, self.on_mat, cloth, self.trust, pieces, leave)

    def _blocks(
        self, pieces: Pieces, numbers: Sequence[int], stars: Sequence[ExpectedStar]
    ) -> dict[int, tuple[MeasuredBlock, ExpectedStar]]:
        """Which of these regions are finished blocks: about as large as expected, with such a star in them."""
        found = dict[int, tuple[MeasuredBlock, ExpectedStar]]()
        for i in numbers:
            area_mm2 = abs(signed_area(self.camera.mat_from_px(pieces.regions[i].contour_px)))
            for star in stars:
                if i in found or abs(area_mm2 / star.side_mm**2 - 1.0) > BLOCK_AREA:
                    continue
                for unit in self._units(pieces, self.block_cloth, set(range(len(pieces.regions))) - {i}):
                    block = measure_block(pieces.scene, self.camera, unit, star, self.block_cloth, self.trust)
                    if block is not None:
                        found[i] = (block, star)
        return found


def _read(path: Path, rig: Rig) -> Picture:
    pixels = read_picture(path)
    size, (width, height) = pixels.shape[1::-1], rig.camera.pinhole.lens.size_px
    if size != (width, height):
        raise CheckError(
            f"{path} is {size[0]}x{size[1]}, the rig's camera {width}x{height}; "
            "use pictures in the size that the rig was made with"
        )
    return pixels
