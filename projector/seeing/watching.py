"""What lies on the mat from frame to frame of a pile, while no hand is in the picture and nothing is measured."""

from __future__ import annotations

from dataclasses import dataclass

import cv2
import numpy as np
from numpy.typing import NDArray

from calibration.pinhole import Pinhole
from calibration.rig import Rig
from projector.guide.looks import Glimpsed
from projector.guide.pile.machine import between
from projector.guide.pile.state import Pile
from projector.guide.scene.scenes import Scene
from projector.light.render import draw
from projector.seeing.taking import Taken
from vision.finding.glimpse import Bare, bare_of, glimpse, small_size
from vision.measure import px_per_mm

Picture = NDArray[np.uint8]
Floats = NDArray[np.float64]

LEAST_SHARE = 0.25  # of a unit's area: what is smaller is no unit, and not looked at
AGREE = 2  # frames in a row that see as many pieces, before that is believed
BESIDE_PX = 2  # of the small picture: blur of both lenses, and the light's own height on cloth


@dataclass(frozen=True, eq=False, slots=True)
class LitMat:
    """The bare mat in the scene that lay on it when its pictures were taken, and in the light that is measured in."""

    bare: Bare
    scene: Scene
    lit: Bare
    dark: Bare | None  # None where the lamp is never out

    @staticmethod
    def of(rig: Rig, pictures: list[Picture], scene: Scene, taken: Taken) -> LitMat:
        """From pictures in the scene, and what was taken of the bare mat for measuring; two or more in each light."""
        bare, lit = (bare_of(each, rig.tone) for each in (pictures, list(taken.lit)))
        dark = bare_of(list(taken.dark), rig.tone) if len(taken.dark) > 1 else None
        return LitMat(bare, scene, lit, dark)


class Watch:
    """Follows what lies there while one scene is in the light."""

    def __init__(self, rig: Rig, mat: LitMat, state: Pile, scene: Scene) -> None:
        self._rig, self._mat, self.state = rig, mat, state
        camera = rig.camera.pinhole
        area = np.ones(camera.lens.size_px[::-1], bool)
        self._least_px = LEAST_SHARE * state.unit_mm2 * px_per_mm(camera, area) ** 2
        in_light = () if rig.projector is None else (mat.scene, scene)
        self._written = np.zeros(small_size(camera.lens.size_px)[::-1], bool)
        for one in in_light:
            self._written |= _written(one, camera)
        self._count, self._agreed = -1, 0

    def sees(self, pixels: Picture) -> None:
        """One more frame in the scene."""
        self._sees(pixels, self._mat.bare, self._written)

    def beheld(self, taken: Taken) -> None:
        """What was taken to be measured: a hand may take a unit away meanwhile."""
        for pixels in taken.lit:
            self._sees(pixels, self._mat.lit)
        if self._mat.dark is not None:
            for pixels in taken.dark:
                self._sees(pixels, self._mat.dark)

    def _sees(self, pixels: Picture, bare: Bare, written: NDArray[np.bool_] | None = None) -> None:
        now = glimpse(pixels, bare, self._rig.tone, self._least_px, written)
        self._agreed = self._agreed + 1 if not now.reached and len(now.outlines_px) == self._count else 1
        self._count = -1 if now.reached else len(now.outlines_px)
        if self._agreed >= AGREE:
            outlines = tuple(self._rig.camera.pinhole.mat_from_px(outline) for outline in now.outlines_px)
            self.state = between(self.state, Glimpsed(outlines))


def _written(scene: Scene, camera: Pinhole) -> NDArray[np.bool_]:
    """Where words and signs of a scene lie in the camera's small picture, a little more."""
    size_px = small_size(camera.lens.size_px)
    scale = size_px[0] / camera.lens.size_px[0]

    def small_from_mat(points_mat_mm: Floats) -> Floats:
        return (camera.px_from_mat(points_mat_mm) + 0.5) * scale - 0.5

    marks = draw(Scene(scene.name, scene.marks), small_from_mat, size_px).max(axis=2)
    around = np.ones((2 * BESIDE_PX + 1,) * 2, np.uint8)
    return np.asarray(cv2.dilate(marks, around) > 0)
