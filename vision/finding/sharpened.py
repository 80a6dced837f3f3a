"""A scene as the camera saw it before it sharpened its picture, where the edges of cloth say clearly that it did."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace
from functools import lru_cache

import cv2
import numpy as np
from numpy.typing import NDArray

from calibration.tone import Tone
from vision.edge.model.encoding import YCC_OF_BGR, Encoder
from vision.edge.model.mask import Sharpening
from vision.edge.model.sharpening import find_sharpening, seems_sharpened
from vision.edge.start.profiles import profiles_of, straight_parts
from vision.finding.layers import Layer
from vision.finding.mat import Scene
from vision.finding.regions import Region
from vision.light import bgr_of, luma_chroma

Floats32 = NDArray[np.float32]

GLANCE = 16, 80  # how many straight parts of rims are looked at, and how many px of each
CLOSELY = 40, 400
FINE = 65535  # steps of the tables that whole pictures are looked up in


def before_sharpening(scene: Scene, regions: Sequence[Region]) -> Scene:
    """The scene itself, untouched, where the rims of `regions` do not show clearly that it was sharpened.

    The bare mat's picture comes from the same camera: what was done to the one was done to the other.
    """
    encoder = Encoder.of(scene.tone)
    parts = straight_parts(regions)
    if not seems_sharpened(profiles_of(scene, parts[: GLANCE[0]], encoder, GLANCE[1])):
        return scene
    profiles = profiles_of(scene, parts[: CLOSELY[0]], encoder, CLOSELY[1])
    found = find_sharpening(profiles, encoder) if seems_sharpened(profiles) else None
    if found is None:
        return scene
    mat = Layer.of(unsharpened(scene.bare, found, scene.tone)) if scene.known else scene.mat
    return replace(scene, seen=Layer.of(unsharpened(scene.levels, found, scene.tone)), mat=mat, mask=found)


def unsharpened(levels: Floats32, sharpening: Sharpening, tone: Tone) -> Floats32:
    """Linear luminance and colour differences (H, W, 3) before sharpening; cameras sharpen luma, colours stay."""
    encoded_of, linear_of = _tables(tone)
    root = cv2.sqrt(np.clip(bgr_of(levels), 0.0, 1.0))
    encoded = encoded_of[np.rint(root * np.float32(FINE)).astype(np.uint16)]
    luma = np.asarray(cv2.transform(encoded, YCC_OF_BGR[:1].astype(np.float32)), np.float32)
    change = sharpening.undone(luma) - luma
    before = np.clip(encoded + change[..., None], 0.0, 1.0)
    return luma_chroma(linear_of[np.rint(before * np.float32(FINE)).astype(np.uint16)])


@lru_cache(maxsize=2)
def _tables(tone: Tone) -> tuple[Floats32, Floats32]:
    """Encoded values over the root of linear light, linear light over encoded values, (FINE + 1,) each."""
    encoder, share = Encoder.of(tone), np.linspace(0.0, 1.0, FINE + 1)
    return encoder.encode(share * share)[0].astype(np.float32), encoder.decode(share).astype(np.float32)
