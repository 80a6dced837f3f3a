"""How far apart two colours look, to usual eyes and to colour-blind ones."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

Floats = NDArray[np.float64]

# Linear red, green, blue to X, Y, Z, and what white is there: IEC 61966-2-1:1999, D65.
XYZ_OF_RGB = np.array([[0.4124, 0.3576, 0.1805], [0.2126, 0.7152, 0.0722], [0.0193, 0.1192, 0.9505]])
WHITE_XYZ = XYZ_OF_RGB.sum(axis=1)

# What linear red, green, blue look like to a dichromat: G. M. Machado, M. M. Oliveira, L. A. F. Fernandes, "A
# physiologically-based model for simulation of color vision deficiency", IEEE TVCG 15(6), 2009, table 1, severity 1.0
# (the figures from memory; each row adds up to 1, so that grey stays grey).
EYES: dict[str, Floats] = {
    "usual": np.eye(3),
    "protan": np.array(
        [[0.152286, 1.052583, -0.204868], [0.114503, 0.786281, 0.099216], [-0.003882, -0.048116, 1.051998]]
    ),
    "deutan": np.array(
        [[0.367322, 0.860646, -0.227968], [0.280085, 0.672501, 0.047413], [-0.011820, 0.042940, 0.968881]]
    ),
    "tritan": np.array(
        [[1.255528, -0.076749, -0.178779], [-0.078411, 0.930809, 0.147602], [0.004733, 0.691367, 0.303900]]
    ),
}


def as_seen(linear: Floats, eyes: str = "usual") -> Floats:
    """Linear red, green, blue (..., 3), 0 to 1, as those eyes see it, in the same terms."""
    return np.clip(np.asarray(linear, float) @ EYES[eyes].T, 0.0, 1.0)


def lab_from_linear(linear: Floats) -> Floats:
    """Linear red, green, blue (..., 3) to CIELAB (..., 3), white at (100, 0, 0): ISO/CIE 11664-4."""
    ratio = np.asarray(linear, float) @ XYZ_OF_RGB.T / WHITE_XYZ
    bent = np.where(ratio > (6 / 29) ** 3, np.cbrt(ratio), ratio * (29 / 6) ** 2 / 3 + 4 / 29)
    x, y, z = np.moveaxis(bent, -1, 0)
    return np.stack([116.0 * y - 16.0, 500.0 * (x - y), 200.0 * (y - z)], axis=-1)


def ciede2000(lab_1: Floats, lab_2: Floats) -> Floats:
    """The CIEDE2000 difference of colours (..., 3), with kL = kC = kH = 1.

    Source: ISO/CIE 11664-6; steps and names as in G. Sharma, W. Wu, E. N. Dalal, "The CIEDE2000 color-difference
    formula", Color Research and Application 30(1), 2005, equations 2 to 22.
    """
    (l1, a1, b1), (l2, a2, b2) = (np.moveaxis(np.asarray(lab, float), -1, 0) for lab in (lab_1, lab_2))
    c7 = ((np.hypot(a1, b1) + np.hypot(a2, b2)) / 2.0) ** 7
    stretch = 1.0 + 0.5 * (1.0 - np.sqrt(c7 / (c7 + 25.0**7)))
    c1, c2 = np.hypot(stretch * a1, b1), np.hypot(stretch * a2, b2)
    h1, h2 = (np.degrees(np.arctan2(b, stretch * a)) % 360.0 for a, b in ((a1, b1), (a2, b2)))
    grey = c1 * c2 == 0.0
    turn = np.where(grey, 0.0, (h2 - h1 + 180.0) % 360.0 - 180.0)
    dl, dc, dh = l2 - l1, c2 - c1, 2.0 * np.sqrt(c1 * c2) * np.sin(np.radians(turn / 2.0))
    mean_l, mean_c = (l1 + l2) / 2.0, (c1 + c2) / 2.0
    mean_h = np.where(grey, h1 + h2, np.where(np.abs(h1 - h2) <= 180.0, (h1 + h2) / 2.0, (h1 + h2 + 360.0) / 2.0))
    t = (
        1.0
        - 0.17 * np.cos(np.radians(mean_h - 30.0))
        + 0.24 * np.cos(np.radians(2.0 * mean_h))
        + 0.32 * np.cos(np.radians(3.0 * mean_h + 6.0))
        - 0.20 * np.cos(np.radians(4.0 * mean_h - 63.0))
    )
    off_50 = (mean_l - 50.0) ** 2
    s_l = 1.0 + 0.015 * off_50 / np.sqrt(20.0 + off_50)
    s_c, s_h = 1.0 + 0.045 * mean_c, 1.0 + 0.015 * mean_c * t
    around_275 = 30.0 * np.exp(-((((mean_h % 360.0) - 275.0) / 25.0) ** 2))
    r_t = -np.sin(np.radians(2.0 * around_275)) * 2.0 * np.sqrt(mean_c**7 / (mean_c**7 + 25.0**7))
    parts = dl / s_l, dc / s_c, dh / s_h
    total = parts[0] ** 2 + parts[1] ** 2 + parts[2] ** 2 + r_t * parts[1] * parts[2]
    return np.asarray(np.sqrt(np.maximum(total, 0.0)))
