"""The fit of a seam on drawn profiles: how sure it says to be of what it finds."""

from __future__ import annotations

import numpy as np
from scipy.special import ndtr

from calibration.tone import SRGB
from vision.edge.model.encoding import Encoder
from vision.edge.pixels.noise import Noise
from vision.edge.pixels.windows import NOTHING_SHOWN, Window
from vision.edge.seam_fit import Blurs, SeamSolver
from vision.light import srgb_from_linear

BLUR_PX, NOISE_SD = 0.8, 0.004
NOISE = Noise((NOISE_SD,) * 3, (1.0,) * 3)
LONG, DEEP, BIN = 96, 5, 6  # px along the seam, to either side of it, and of a bin


def found(stripe: float, slope: float, seed: int) -> tuple[float, float]:
    """Where a seam at 0 is found and its u, px: fabrics of light 0.4 and 0.2, a stripe of so much more near it.

    The stripe is 1.5 px wide, 2 px inside in the middle, and comes nearer by `slope` px a px.
    """
    along, across = (one.ravel() for one in np.meshgrid(np.arange(LONG) - LONG / 2, np.arange(-DEEP, DEEP + 1.0)))
    order = np.lexsort((across, along // BIN))
    along, across = along[order], across[order] + 0.37
    beyond = across + 2.0 + slope * along
    light = 0.2 + 0.2 * ndtr(-across / BLUR_PX)
    light += stripe * (ndtr((beyond + 0.75) / BLUR_PX) - ndtr((beyond - 0.75) / BLUR_PX))
    many = len(along)
    seen = np.zeros((3, many))
    seen[0] = srgb_from_linear(light)
    seen += np.random.default_rng(seed).normal(0.0, NOISE_SD, seen.shape)
    starts = np.flatnonzero(np.diff(along // BIN, prepend=np.nan) != 0)
    nothing, side = np.zeros((3, many)), np.zeros(many, np.int64)
    points, sides = np.zeros((many, 2)), np.zeros(len(starts), np.int64)
    window = Window(side, points, across, along, seen, nothing, nothing, nothing, NOTHING_SHOWN, starts, sides, 1)
    line = SeamSolver(window, Blurs(BLUR_PX), NOISE, Encoder.of(SRGB), 2.0).solve(8, 5.0)
    assert line is not None
    return line.offset_px, float(np.sqrt(line.covariance[0, 0]))


def test_beside_plain_cloth_a_seam_is_where_it_is_said_to_be() -> None:
    offs = np.array([found(0.0, 0.0, seed) for seed in range(6)])
    assert np.mean((offs[:, 0] / offs[:, 1]) ** 2) < 2.0
    assert offs[:, 1].max() < 0.05


def test_a_stripe_along_a_seam_makes_it_less_sure() -> None:
    """All bins agree on the wrong place: by their scatter alone it would be 6 u off, root mean square."""
    offs = np.array([found(stripe, slope, 1) for stripe in (-0.1, -0.2, 0.1) for slope in (0.0, 0.01)])
    assert np.abs(offs[:, 0]).max() > 0.2
    assert np.mean((offs[:, 0] / offs[:, 1]) ** 2) < 10.0
