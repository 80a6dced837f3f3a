"""Whether and how a camera sharpened its picture, told from edges of cloth, and the picture as it was before.

Cameras sharpen what they write down by an unsharp mask: to the encoded luma E they add what a blur of radius r takes
from it, a (E - B_r E) (Gonzalez and Woods, Digital Image Processing, 3.6, from memory). An edge then swings over on
both of its sides. On the mat's side a shadow looks much alike; on the cloth's side no shadow falls, and no blur of an
edge rises above the level of either side. There it is told: at all edges of a picture at once, each with its own
place, blur, cloth level and light of the mat, which are eliminated.

What was done is undone by the same mask: E = (seen + a B_r E) / (1 + a), a low-pass, which amplifies no noise.
"""

from __future__ import annotations

import math
from functools import lru_cache

import numpy as np
from numpy.lib.stride_tricks import sliding_window_view
from numpy.typing import NDArray
from scipy.special import ndtr, stdtrit

from calibration.robust import MAD_TO_SD
from vision.edge.model.encoding import YCC_OF_BGR, Encoder
from vision.edge.model.mask import RADIUS_LOG_U, RADIUS_PX, Sharpening
from vision.edge.start.crossing import BIN_PX
from vision.edge.start.profiles import CENTRES_PX, Profiles

Floats = NDArray[np.float64]

GRID_PX = BIN_PX / 2.0  # of the model; bins' middles lie on it
OUTER_PX = 8.0  # more of the model, that the mask sees
FEWEST_EDGES = 4
STEPS = 10
SETTLED = 3e-4  # of every unknown, a step: far below what any of them is known to
OWN = 4  # unknowns of each edge: place, log of its blur, gain of the mat, cloth's level
STEP = 1e-3  # of an unknown, for slopes
LITTLE = np.concatenate([np.zeros((1, OWN)), STEP * np.eye(OWN)[: OWN - 1]])
OWN_START = np.array([0.0, math.log(0.9), 1.0, 0.0])
OWN_U = np.array([1.0, 0.5, 0.3, 0.1])
OWN_MOST_STEP = np.array([0.3, 0.3, 0.2, 0.05])
AMOUNT_U = 2.0  # before a picture is seen
RADII_PX = 0.45, 2.6
MOST_AMOUNT = 4.0
MODEL_ERROR = 0.003  # of the step, in the middle of the edge: what the blur's shape does not know
GLANCE_BINS, GLANCE = 4, 2.0  # a pixel of the profile; standard uncertainties
CHANCE = 1e-4  # by which few edges may look like that, to believe them: of the amount, and of the rise
OF_CLEAR = 0.25  # of what is clear is asked for at a glance
LEAST_RISE = 0.0015  # of the step: what lifts luma less beside an edge moves none by a hundredth of a pixel either
LEAST_STRENGTH = 0.08  # less moves no edge by a hundredth of a pixel
FLAT = CENTRES_PX < -5.0  # cloth is level there, whatever the camera does at its edge


def seems_sharpened(profiles: Profiles) -> bool:
    """Whether luma seems to rise above the cloth's level anywhere beside the edges: a glance that spares the fit."""
    if len(profiles.luma) < FEWEST_EDGES:
        return False
    level = np.mean(profiles.luma[:, FLAT], axis=1, keepdims=True)
    share = (profiles.luma - level) / profiles.step[:, None]
    share = sliding_window_view(share[:, ~FLAT], GLANCE_BINS, axis=1).mean(axis=-1)
    middle = np.median(share, axis=0)
    u = MAD_TO_SD * np.median(np.abs(share - middle), axis=0) / math.sqrt(len(share))
    # Of few edges the fit will ask for many of them.
    return bool(np.any((middle > LEAST_RISE) & (middle > max(GLANCE, OF_CLEAR * _clear(len(share))) * u)))


def find_sharpening(profiles: Profiles, encoder: Encoder) -> Sharpening | None:
    """What the edges say; None unless it is clear."""
    if len(profiles.luma) < FEWEST_EDGES:
        return None
    fit = _Fit(profiles, encoder)
    found = fit.solved()
    risen, risen_u = fit.overshoot(fit.own, fit.common)
    clear = _clear(len(profiles.luma))
    told = found.amount > clear * found.amount_u and risen > clear * risen_u
    usual = found.strength > LEAST_STRENGTH and RADII_PX[0] < found.radius_px < RADII_PX[1]
    return found if told and usual else None


@lru_cache
def _clear(edges: int) -> float:
    """How many standard uncertainties so few edges must show."""
    return float(stdtrit(edges - 1, 1.0 - CHANCE))


class _Fit:
    def __init__(self, profiles: Profiles, encoder: Encoder) -> None:
        self.p, self.encoder = profiles, encoder
        many = round((OUTER_PX * 2.0 + CENTRES_PX[-1] - CENTRES_PX[0]) / GRID_PX) + 1
        self.grid = CENTRES_PX[0] - OUTER_PX + GRID_PX * np.arange(many)
        self.at = np.rint((CENTRES_PX - self.grid[0]) / GRID_PX).astype(np.int64)
        self.cloth, self.mat = encoder.decode(profiles.cloth), encoder.decode(profiles.mat)  # (S, 3)
        middle = np.exp(-0.5 * CENTRES_PX**2)
        self.weights = 1.0 / (profiles.variance + (MODEL_ERROR * profiles.step[:, None] * middle) ** 2)

    def solved(self) -> Sharpening:
        """Gauss-Newton; the uncertainty is cluster-robust, each edge a cluster."""
        count = len(self.p.luma)
        own, common = np.tile(OWN_START, (count, 1)), np.array([0.2, math.log(RADIUS_PX)])
        common_start, common_u = np.array([0.0, math.log(RADIUS_PX)]), np.array([AMOUNT_U, RADIUS_LOG_U])
        settled = False
        for step in range(STEPS + 1):
            seen, slopes = self._slopes(own, common)
            rest = self.p.luma - seen
            robust = self.weights * np.minimum(1.0, 2.5 / np.maximum(np.abs(rest) * np.sqrt(self.weights), 1e-9))
            normal = np.einsum("xsk,sk,ysk->sxy", slopes, robust, slopes)
            pull = np.einsum("xsk,sk,sk->sx", slopes, robust, rest)
            normal[:, :OWN, :OWN] += np.diag(1.0 / OWN_U**2)
            pull[:, :OWN] += (OWN_START - own) / OWN_U**2
            inverse = np.linalg.inv(normal[:, :OWN, :OWN])
            follow = -inverse @ normal[:, :OWN, OWN:]  # (S, 4, 2)
            scores = pull[:, OWN:] + np.einsum("sxc,sx->sc", follow, pull[:, :OWN])
            each = normal[:, OWN:, OWN:] + normal[:, OWN:, :OWN] @ follow
            reduced = each.sum(axis=0) + np.diag(1.0 / common_u**2)
            covariance = np.linalg.inv(reduced)
            if settled or step == STEPS:
                break
            change = covariance @ (scores.sum(axis=0) + (common_start - common) / common_u**2)
            change = np.clip(change, -0.4, 0.4)
            own_change = np.einsum("sxy,sy->sx", inverse, pull[:, :OWN]) + follow @ change
            own = own + np.clip(own_change, -OWN_MOST_STEP, OWN_MOST_STEP)
            settled = max(float(np.abs(change).max()), float(np.abs(own_change).max())) < SETTLED
            low, high = np.log(RADII_PX)
            common = np.clip(common + change, [-0.5, low], [MOST_AMOUNT, high])
        spread = covariance @ (scores.T @ scores) @ covariance * (count / (count - 1.0))
        u = math.sqrt(max(spread[0, 0], covariance[0, 0]))
        self.own, self.common = own, common
        radius = math.exp(common[1])
        return Sharpening(float(common[0]) / radius**2, radius, u / radius**2)

    def overshoot(self, own: Floats, common: Floats) -> tuple[float, float]:
        """How far luma rises above the cloth's level beside the edge, as a share of what the mask would do; and its u.

        Without a mask it does not rise, whatever lens, shadow or light.
        """
        sign = np.sign(self.p.step)[:, None]
        level = np.mean(self.p.luma[:, FLAT], axis=1, keepdims=True)
        expected = self._slopes(own, common)[0]
        expected = np.maximum((expected - expected[:, :1]) * sign, 0.0) * ~FLAT
        risen = np.sum(self.weights * expected * (self.p.luma - level) * sign, axis=1)
        could = np.sum(self.weights * expected**2, axis=1)
        share = float(risen.sum() / max(could.sum(), 1e-9))
        u = math.sqrt(float(np.sum((risen - share * could) ** 2))) / max(float(could.sum()), 1e-9)
        return share, u

    def _slopes(self, own: Floats, common: Floats) -> tuple[Floats, Floats]:
        """The predicted luma (S, K) and its slopes (6, S, K) by an edge's own unknowns and the common ones."""
        amount, mask = common[0] * math.exp(-2.0 * common[1]), self._mask(common[1])
        every = self._plain(own + LITTLE[:, None])  # (OWN, S, G): as it is, then each unknown a little greater
        lost = every @ mask.T
        by_own = (1.0 + amount) * every[..., self.at] - amount * lost
        seen, plain = by_own[0], every[0]
        taken = plain[:, self.at] - lost[0]
        slopes = np.ones((OWN + 2, *seen.shape))
        slopes[: OWN - 1] = (by_own[1:] - seen) / STEP
        slopes[OWN] = taken * math.exp(-2.0 * common[1])
        slopes[OWN + 1] = -amount * ((plain @ (self._mask(common[1] + STEP) - mask).T) / STEP + 2.0 * taken)
        return seen + own[:, 3:], slopes

    def _plain(self, own: Floats) -> Floats:
        """(..., S, G) luma as written down without a mask, by edges' own unknowns (..., S, 4)."""
        share = ndtr(-(self.grid - own[..., :1]) / np.exp(own[..., 1:2]))[..., None]
        light = self.cloth[:, None] * share + own[..., 2, None, None] * self.mat[:, None] * (1.0 - share)
        return np.asarray(self.encoder.encode(light)[0] @ YCC_OF_BGR[0])

    def _mask(self, log_radius: float) -> Floats:
        """(K, G): the blur that the mask takes away."""
        z = (self.grid - CENTRES_PX[:, None]) / math.exp(log_radius)
        weights = np.exp(-0.5 * z * z)
        return np.asarray(weights / weights.sum(axis=1, keepdims=True))
