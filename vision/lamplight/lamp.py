"""The projector as the lamp: the scene in its light alone, and the colour that tells cloth from the mat best."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

Floats = NDArray[np.float64]
Floats32 = NDArray[np.float32]

FEWEST = 50  # pixels on each side of a comparison
ROOT = 1e-12


@dataclass(frozen=True, eq=False, slots=True)
class LampShadow:
    """A lens whose place is known throws light: where the shadow of what lies on the mat falls."""

    lens_mat_mm: Floats  # (3,) in the mat frame
    share: float  # of the mat's light, what comes from it: 1 once the room's light is taken out
    u: float  # relative standard uncertainty of a shadow's reach: of the lens' height and of the cloth's

    def shadow_mm(self, points_mat_mm: Floats, height_mm: float) -> Floats:
        """(N, 2): from the feet of points (N, 2), so high above the mat, to where their shadow falls.

        >>> LampShadow(np.array([0.0, 0.0, 1000.4]), 1.0, 0.15).shadow_mm(np.array([[500.0, 0.0]]), 0.4).tolist()
        [[0.2, 0.0]]
        """
        return np.asarray((points_mat_mm - self.lens_mat_mm[:2]) * height_mm / (self.lens_mat_mm[2] - height_mm))


def in_lamp_light(on: Floats32, off: Floats32) -> Floats32:
    """Take the room's light out of a frame: light adds up, so lamp on minus lamp off is the lamp's alone.

    `on` and `off` are (H, W, 3) in linear light, of one exposure, nothing having moved between them; what is at full
    scale in `on` means nothing. Negative light is noise and kept, so that means stay true. Raises ValueError where the
    sizes differ.
    """
    if on.shape != off.shape:
        raise ValueError(f"the frames are {on.shape[:2]} and {off.shape[:2]}; take both with one camera")
    return np.asarray(on - off, np.float32)


def separation(light: Floats32, cloth: NDArray[np.bool_], mat: NDArray[np.bool_]) -> float:
    """How many standard deviations of a pixel cloth and mat lie apart in the best mix of the channels.

    Fisher's discriminant: sqrt(d' S^-1 d), with d the difference of the means and S the mean of both covariances of
    single pixels (R. A. Fisher, Annals of Eugenics 7(2), 1936). A print's own pattern counts as its spread. 0 where
    either has fewer than 50 pixels. `light` is (H, W, 3), the masks are (H, W).
    """
    samples = [light[where].astype(np.float64) for where in (cloth, mat)]
    if min(len(sample) for sample in samples) < FEWEST:
        return 0.0
    apart = samples[0].mean(axis=0) - samples[1].mean(axis=0)
    spread = (np.cov(samples[0], rowvar=False) + np.cov(samples[1], rowvar=False)) / 2.0
    return float(np.sqrt(apart @ np.linalg.solve(spread + ROOT * np.eye(3), apart)))


def best_colour(looks: Mapping[str, Floats32], cloth: NDArray[np.bool_], mat: NDArray[np.bool_]) -> str:
    """Of first looks in several lamp colours, the name of the one that tells cloth from mat best.

    `looks` maps a colour's name to its picture (H, W, 3) in linear light, best in the lamp's light alone; masks as in
    `separation`. The first named is kept unless another is better by a tenth: changing light draws the eye. Raises
    ValueError for no looks.
    """
    if not looks:
        raise ValueError("no looks are given; take one in each colour")
    apart = {name: separation(light, cloth, mat) for name, light in looks.items()}
    first = next(iter(looks))
    best = max(apart, key=lambda name: apart[name])
    return best if apart[best] > 1.1 * apart[first] else first
