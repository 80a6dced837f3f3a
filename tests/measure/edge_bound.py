"""How well a straight edge could be placed at best: Cramer-Rao bounds for plain cloth and for cloth of unknown print.

Plain cloth. Across the edge, d px from it, the light is I(d) = M + C Phi(-d / s): M the mat's, C the contrast, s the
blur with the pixel's own square (variance 1/12). Pixels err independently with variance v(I), the rounding to 8 bits
behind the tone curve f included: (1/255)^2 / 12 / f'(I)^2. Moving the edge by p changes I by C g(d), g the normal
density, so that a side of length L (px) holds the information L * integral of C^2 g^2 / v about its offset, summed over
independent channels. For even noise the integral is C^2 / (2 sqrt(pi) s sigma^2): A. Gatherer, "The Cramer-Rao Bound
for Discrete-Time Edge Position Estimation", Stanford CSL-TR-93-560 (1993), times the length. The tilt's information is
that of the offset times the mean square of the place along the side, L^2 / 12.

Print whose level is unknown in each bin along the side (and even across it): in one bin the unknown level F moves the
pixels by A(d) = Phi(-d / s). Fisher's matrix of (p, F) per px of length is [[<C g, C g>, <C g, A>], [., <A, A>]], the
products weighted by 1 / v and taken from `inside_px` within to far outside; eliminating F leaves
<Cg, Cg> - <Cg, A>^2 / <A, A>. With even noise <g, A> = 1/2 and <A, A> = w - s / sqrt(pi), so the offset's SD grows by
1 / sqrt(1 - (sqrt(pi) s / 2) / (w - s / sqrt(pi))).

Print that is unknown everywhere. Were each pixel's level free, nothing would tell where cloth ends; what does is that
the mat is known and the print varies in a known way. So the cloth's light is a normal random field of mean F, spread
tau, and correlation exp(-|along| / l) exp(-|across| / l). Pixels, y = H (m_p F + (1 - m_p) M) + noise with the mask m_p
and the blur H, are then normal with mean and covariance that both depend on p, and the information is
mean'^T S^-1 mean' + tr(S^-1 S' S^-1 S') / 2 (Slepian-Bangs; S. Kay, "Fundamentals of Statistical Signal Processing:
Estimation Theory", 1993, section 3.9). On a long side the field's frequencies w along it are independent, so both
terms split: the first is that of w = 0 alone, the second L / (2 pi) times the integral over w of
tr(S_w^-1 S'_w S_w^-1 S'_w) / 2 (Whittle), with S_w = H D_p K_w D_p H^T + V, K_w the correlation across times the
spectrum tau^2 2 l / (1 + w^2 l^2), seen through the blur along the side. The channels of a print go together: their
field is one, times a colour.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from tests.vision.exact_cover import Sensor, tone_slope

Floats = NDArray[np.float64]
Bgr = tuple[float, float, float]

REACH = 8.0  # blurs on either side


def least_offset_sd(cloth: Bgr, mat: Bgr, sensor: Sensor, length_px: float, inside_px: float | None = None) -> float:
    """Least standard deviation (px) of a side's offset: cloth and mat known, the blur too.

    With `inside_px` the cloth's level is unknown in each bin along the side, and seen that far within.
    """
    blur = sensor.blur_px
    d, step = np.linspace(-max(REACH * blur, inside_px or 0.0), REACH * blur, 4001, retstep=True)
    density = np.exp(-0.5 * (d / blur) ** 2) / (blur * math.sqrt(2 * math.pi))
    share = 1.0 - np.cumsum(density) * step
    seen = d >= -(inside_px or np.inf)
    known = total = mixed = unknown = 0.0
    for within, outside in channels(cloth, mat, sensor):
        contrast = within - outside
        weight = seen * step / pixel_variance(outside + contrast * share, sensor)
        known = float(np.sum((contrast * density) ** 2 * weight))
        mixed = float(np.sum(contrast * density * share * weight))
        unknown = float(np.sum(share**2 * weight))
        total += known - (mixed**2 / unknown if inside_px else 0.0)
    return 1.0 / math.sqrt(length_px * total)


def least_tilt_sd(offset_sd: float, length: float) -> float:
    """Least standard deviation (rad) of a side's direction."""
    return offset_sd * math.sqrt(12.0) / length


def channels(cloth: Bgr, mat: Bgr, sensor: Sensor) -> list[tuple[float, float]]:
    """Levels of the independent channels: a grey camera has one."""
    pairs = list(zip(cloth, mat, strict=True))
    return pairs[1:2] if sensor.grey else pairs


def pixel_variance(light: Floats, sensor: Sensor) -> Floats:
    """Of one pixel at a level of linear light, the rounding to 8 bits included."""
    return np.asarray(sensor.variance(light) + (1.0 / 255.0) ** 2 / 12.0 / tone_slope(light) ** 2)


@dataclass(frozen=True, slots=True)
class Field:
    """A print as a random field: its spread in each channel, and how far its levels hang together."""

    spread: Bgr
    length_px: float


def least_offset_sd_of_print(cloth: Bgr, field: Field, mat: Bgr, sensor: Sensor, length_px: float) -> float:
    """Least standard deviation (px) of a side's offset where the print is unknown; `cloth` is its mean light.

    A turned side passes its pixels at all distances from their middles: the mean over four of them.
    """
    w, step = np.linspace(0.0, math.pi, 65, retstep=True)
    total = 0.0
    for phase in (-0.25, 0.0, 0.25, 0.5):
        across = Across.of(cloth, field, mat, sensor, phase)
        varying = np.array([across.information_of_spread(one) for one in w])
        total += across.information_of_mean() + float(np.sum(varying[1:] + varying[:-1]) / 2.0 * step / math.pi)
    return 1.0 / math.sqrt(length_px * total / 4.0)


FINE = 16  # cells a pixel, across
PRINT_REACH_PX = 8


@dataclass(frozen=True, eq=False, slots=True)
class Across:
    """Pixels of all channels in a line across the edge; `joint` is the print's across the edge alone."""

    mean_slope: Floats  # (P,) by the edge's offset
    noise: Floats  # (P,) variances
    joint: Floats  # (P, P) of the print, as the pixels see it
    joint_slope: Floats  # (P, P)
    reach_px: float  # of the print
    blur_px: float

    @staticmethod
    def of(cloth: Bgr, field: Field, mat: Bgr, sensor: Sensor, phase_px: float) -> Across:
        pixels = np.arange(-PRINT_REACH_PX, PRINT_REACH_PX + 1) + phase_px
        fine = np.arange(-FINE * (PRINT_REACH_PX + 4), FINE * (PRINT_REACH_PX + 4) + 1) / FINE
        apart = pixels[:, None] - fine[None, :]
        see = np.exp(-0.5 * (apart / sensor.blur_px) ** 2) / (sensor.blur_px * math.sqrt(2 * math.pi)) / FINE
        # The edge lies in the middle of a cell, which is half cloth; moving it on fills that cell.
        mask, slope = np.where(fine < 0.0, 1.0, 0.0) + 0.5 * (fine == 0.0), FINE * (fine == 0.0)
        levels = channels(cloth, mat, sensor)
        mean_slope = np.concatenate([see @ slope * (within - outside) for within, outside in levels])
        means = [outside + (within - outside) * (see @ mask) for within, outside in levels]
        noise = np.concatenate([pixel_variance(mean, sensor) for mean in means])
        colour = np.array(field.spread[1:2] if sensor.grey else field.spread, float)
        between = np.exp(-np.abs(fine[:, None] - fine) / field.length_px)
        colours = np.outer(colour, colour)
        joint = np.kron(colours, (see * mask) @ between @ (see * mask).T)
        moved = np.kron(colours, (see * slope) @ between @ (see * mask).T)
        return Across(mean_slope, noise, joint, moved + moved.T, field.length_px, sensor.blur_px)

    def spectrum(self, frequency: float) -> float:
        """Of a print along the side, as the pixels see it, for a spread of 1."""
        reach = self.reach_px
        return 2.0 * reach / (1.0 + (frequency * reach) ** 2) * math.exp(-((frequency * self.blur_px) ** 2))

    def covariance(self, frequency: float) -> Floats:
        return np.asarray(self.spectrum(frequency) * self.joint + np.diag(self.noise))

    def information_of_mean(self) -> float:
        """Per pixel of length."""
        return float(self.mean_slope @ np.linalg.solve(self.covariance(0.0), self.mean_slope))

    def information_of_spread(self, frequency: float) -> float:
        """tr(S^-1 S' S^-1 S') / 2, per pixel of length."""
        turned = self.spectrum(frequency) * np.linalg.solve(self.covariance(frequency), self.joint_slope)
        return float(np.sum(turned * turned.T) / 2.0)
