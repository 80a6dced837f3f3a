"""Where, roughly, does the mat begin? A search over places of one side, for a fit to start in the right valley.

A print has edges of its own, and a fit that starts near one of them stays there. But the bare mat is known to a
pixel's noise, while cloth may be anything: so each pixel is held against both, and the place of the edge is the one
at which all pixels together are explained best (a likelihood of two classes, each with its own spread).
"""

from __future__ import annotations

import math

import numpy as np
from numpy.typing import NDArray
from scipy.special import ndtr

from vision.edge_model import EdgeSamples

Floats = NDArray[np.float64]

SURELY_INSIDE_PX = 3.0
STEP_PX = 0.5
MAT_SPREAD = 2.0  # times the noise on bare mat: shade and a little dust allowed for
WORST = 8.0  # no pixel speaks louder than one four standard deviations off
LEAST_PIXELS = 20
WEAVE = 0.05  # of its brightness a plain cloth may vary


def likeliest_offset_px(samples: EdgeSamples, noise_floor: Floats, blur_px: float) -> float:
    """The offset outward of the start line, in px, at which cloth and mat part best; 0 where too little is seen."""
    inside = samples.across_px < -SURELY_INSIDE_PX
    if np.count_nonzero(inside) < LEAST_PIXELS:
        return 0.0
    cloth, mat = _cloth_cost(samples.seen, inside), _mat_cost(samples.seen, samples.bare, noise_floor)
    lowest, highest = float(samples.across_px.min()), float(samples.across_px.max())
    offsets = np.arange(lowest + SURELY_INSIDE_PX / 2.0, highest - 1.0, STEP_PX)
    share = ndtr((offsets[:, None] - samples.across_px) / blur_px)
    cost = share @ (cloth - mat)
    return float(offsets[int(np.argmin(cost))])


def is_printed(samples: EdgeSamples, noise_floor: Floats) -> bool:
    """Whether the cloth just inside the start line varies by more than noise and weave do."""
    inside = samples.across_px < -SURELY_INSIDE_PX / 2.0
    if np.count_nonzero(inside) < LEAST_PIXELS:
        return False
    light, bins = samples.seen[0, inside], samples.bins[inside]
    count = np.maximum(np.bincount(bins, minlength=samples.bin_count), 1)
    mean = np.bincount(bins, light, samples.bin_count) / count
    variance = np.bincount(bins, (light - mean[bins]) ** 2, samples.bin_count) / count
    level, bare = float(light.mean()), max(float(samples.bare[0].mean()), 1e-4)
    noise = float(noise_floor[0]) * math.sqrt(max(level / bare, 1.0))
    return math.sqrt(float(variance.mean())) > 4.0 * noise + WEAVE * level


def _cloth_cost(seen: Floats, inside: NDArray[np.bool_]) -> Floats:
    """(N,): minus the log likelihood of each pixel as cloth, the cloth's own mean and spread taken from inside."""
    mean = seen[:, inside].mean(axis=1, keepdims=True)
    spread = seen[:, inside].std(axis=1, keepdims=True) + 1e-4
    return _cost(seen - mean, spread)


def _mat_cost(seen: Floats, bare: Floats, noise_floor: Floats) -> Floats:
    return _cost(seen - bare, MAT_SPREAD * noise_floor[:, None])


def _cost(off: Floats, spread: Floats) -> Floats:
    return np.asarray(np.sum(np.minimum(0.5 * (off / spread) ** 2, WORST) + np.log(spread), axis=0) + math.log(2.0))
