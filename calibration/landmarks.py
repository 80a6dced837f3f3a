"""What a camera can know the bare mat by: small patches of it, and where on the mat each of them lies."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

Floats = NDArray[np.float64]


@dataclass(frozen=True, eq=False, slots=True)
class Landmarks:
    """Patches of the bare mat as the camera saw them when the rig was made. None at all on a plain mat."""

    places_mat_mm: Floats  # (N, 2)
    places_px: Floats  # (N, 2) where the camera saw them
    u_px: Floats  # (N,) standard uncertainty per axis of finding one again
    patches: NDArray[np.uint8]  # (N, S, S) encoded brightness about the rounded places
