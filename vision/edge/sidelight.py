"""Whether the light of a picture may come from one side and cast a shadow of its own there, by what its sides show.

Usual light, from above, is assumed until something speaks against it. A shadow beside dark cloth is so like more cloth
that residuals seldom do: the unknowns of usual light take it up, and say so by where they end. Where nothing is told
of the light, and it matters, none is the usual one.
"""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from vision.edge.common import COMMON, CONTRADICTED, Common
from vision.edge.fit import Fits
from vision.edge.misfit import USUAL_PX

SURELY = 13.8  # chi-square of 2 degrees of freedom that chance exceeds in 1 of 1000 pictures
HALF = 1.386  # and that is exceeded every other time
UNTOLD = 0.25  # of the variance of what usual light may be: left with more, it is not known twice as well as before
MATTERS = 0.1  # of the variance of a side's offset: less is one doubt among many
ASIDE = slice(COMMON.index("cast_x"), COMMON.index("cast_y") + 1)


def from_aside(fits: Fits, prior: Common) -> bool:
    """Whether what is seen contradicts usual light: a fit with that `prior` ends beyond it, or leaves too much."""
    seen, light = fits.common.values[ASIDE], fits.common.covariance[ASIDE, ASIDE]
    more_than_usual = _squared(seen, light) > SURELY and _squared(seen, prior.covariance[ASIDE, ASIDE]) > HALF
    return fits.shadow_doubt > CONTRADICTED or fits.leaning > SURELY or more_than_usual


def hardly_told(fits: Fits, prior: Common, height_px: float) -> bool:
    """Whether a settled fit says hardly more of light to one side than its `prior` did, and sides' places hang on it.

    Cloth of no height throws no shadow, whatever the light.
    """
    light, before = fits.common.covariance[ASIDE, ASIDE], prior.covariance[ASIDE, ASIDE]
    follow, own = fits.by_common[fits.seen, 0, ASIDE], fits.own_covariance[fits.seen, 0, 0]
    doubt = np.einsum("si,ij,sj->s", follow, light, follow)
    share = np.median(doubt / (doubt + own + USUAL_PX**2))
    return bool(height_px > 0.0 and np.max(np.diag(light) / np.diag(before)) > UNTOLD and share > MATTERS)


def _squared(values: NDArray[np.float64], covariance: NDArray[np.float64]) -> float:
    """Chi-square of values (K,) about 0."""
    return float(values @ np.linalg.solve(covariance, values))
