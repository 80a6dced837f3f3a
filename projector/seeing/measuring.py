"""From pictures to what the guided cut is told: no device, no clock, nothing that cannot run beside the light."""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from calibration.rig import Rig
from projector.guide.looks import Look
from projector.seeing.answers import Measured, Sight, answer, layered
from projector.seeing.lampplace import lamp_of
from projector.seeing.taking import Taken
from vision.finding.mat import MatPicture, compare_with_mat, guessed_mat_picture, mat_picture, on_mat_mask
from vision.finding.regions import find_regions
from vision.lamplight.lamp import in_lamp_light
from vision.light import mean_light
from vision.measure import Cloth, Trust, px_per_mm

LEAST_CLOTH_MM2 = 600.0  # a larger patch that differs from the mat is not a crumb


@dataclass(frozen=True, eq=False, slots=True)
class Gauge:
    """A rig, the cloth on its mat, and the bare mat's own picture, once there is one."""

    rig: Rig
    cloth: Cloth
    trust: Trust
    on_mat: NDArray[np.bool_]  # (H, W): where cloth is looked for
    mat: MatPicture | None = None

    @staticmethod
    def of(rig: Rig, cloth: Cloth) -> Gauge:
        trust = Trust(rig.camera_over_area().rms_mm, rig.scale_u, rig.camera)
        return Gauge(rig, cloth, trust, on_mat_mask(rig.camera.pinhole, rig.area_mat_mm))

    def with_mat(self, taken: Taken) -> Gauge:
        """The same with the bare mat's picture: all else is held against it."""
        return replace(self, mat=mat_picture(self._lamplight(taken), held=True))

    def is_bare(self, taken: Taken) -> bool:
        """Whether no cloth lies on the mat, as far as can be told without its picture."""
        light = self._lamplight(taken)
        bare = guessed_mat_picture(light, self.on_mat, self.rig.camera.pinhole)
        guess = compare_with_mat(light, bare, self.on_mat, self.rig.tone)
        least_px = LEAST_CLOTH_MM2 * px_per_mm(self.rig.camera.pinhole, self.on_mat) ** 2
        return all(region.cut_off for region in find_regions(guess, self.on_mat, least_px))

    def answer(self, taken: Taken, look: Look) -> Measured:
        """What was looked for. Raises ValueError before the mat's picture is there, and for a bare mat."""
        if self.mat is None:
            raise ValueError("the bare mat's picture is wanted first")
        lamp = lamp_of(self.rig, layered(self.cloth, look.layers))
        scene = compare_with_mat(self._lamplight(taken), self.mat, self.on_mat, self.rig.tone, lamp)
        return answer(look, Sight(scene, self.rig.camera.pinhole, self.on_mat, self.cloth, self.trust))

    def _lamplight(self, taken: Taken) -> NDArray[np.float32]:
        """The lamp's light alone: the room's, with its shadows, windows and people, is taken out."""
        return in_lamp_light(mean_light(taken.lit, self.rig.tone), mean_light(taken.dark, self.rig.tone))
