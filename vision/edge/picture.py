"""The picture in which edges are fitted: its scene, its camera, how it is written down, and its noise."""

from __future__ import annotations

from dataclasses import dataclass
from functools import lru_cache

from calibration.pinhole import Pinhole
from calibration.tone import Tone
from vision.edge.model.encoding import Encoder
from vision.edge.pixels.neighbours import Neighbours
from vision.edge.pixels.noise import Noise, encoded_noise
from vision.finding.mat import Scene


@dataclass(frozen=True, eq=False, slots=True)
class Picture:
    """What all sides of a picture are fitted in."""

    scene: Scene
    camera: Pinhole
    height_mm: float  # of the cloth's top above the mat
    encoder: Encoder
    noise: Noise
    neighbours: Neighbours | None = None

    @staticmethod
    def of(scene: Scene, camera: Pinhole, height_mm: float, neighbours: Neighbours | None = None) -> Picture:
        """The picture with its noise measured."""
        encoder = _encoder(scene.tone)
        return Picture(scene, camera, height_mm, encoder, encoded_noise(scene, encoder, neighbours), neighbours)


@lru_cache(maxsize=4)
def _encoder(tone: Tone) -> Encoder:
    return Encoder.of(tone)
