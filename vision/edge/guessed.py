"""How far a guessed mat may draw the edges beside it.

A guess is smooth, the mat is not quite: it is worn, mottled, and printed unevenly. Noise it is none: what it strays by
is alike in many pixels. A side's own gain takes up what it strays by beside all of it, the light of the picture that a
shadow takes away is doubted (`pixels.noise`). What changes from one end of a side to the other is left, and turns and
bends the line.
"""

from __future__ import annotations

import math

import numpy as np
from numpy.typing import NDArray

from vision.finding.guess import UNEVEN

Floats = NDArray[np.float64]

LEAST = 1e-6  # light


def strays_px(mat: Floats, cloth: Floats, blur_px: float) -> Floats:
    """(S,): px by which a guess that strays moves edges between linear light `mat` and `cloth`, (3, S) each.

    Behind a blur s a step c - m shows a move e as e (c - m) g(x), g the normal density, and mat that is brighter by a
    share q as q m G(x), G the distribution. Least squares take e = q m / (c - m) times the integral of g G, which is
    1/2, over that of g squared, which is 1 / (2 root(pi) s).
    """
    step = np.sqrt(np.sum((cloth - mat) ** 2, axis=0))
    return np.asarray(UNEVEN * math.sqrt(math.pi) * blur_px * np.sqrt(np.sum(mat**2, axis=0)) / np.maximum(step, LEAST))
