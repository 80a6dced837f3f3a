"""Made-up measurements of yardage and strips, without error unless it is said."""

from __future__ import annotations

import math

import numpy as np

from vision.strips.measure import MeasuredStrip, StripEnd, StripLine
from vision.units import MeasuredUnit

U_RAD = 0.0002
AREA = ((0.0, 0.0), (914.4, 0.0), (914.4, 609.6), (0.0, 609.6))  # 36 x 24 in


def cloth(corners, trouble=None):
    """A piece by its outline."""
    corners = np.asarray(corners, float)
    zeros = np.zeros(len(corners))
    return MeasuredUnit(corners, zeros, zeros, zeros + U_RAD, zeros, (), (), trouble)


def turned(points, turn_deg, about):
    c, s = math.cos(math.radians(turn_deg)), math.sin(math.radians(turn_deg))
    return (np.asarray(points, float) - about) @ np.array([[c, s], [-s, c]]) + about


def strip_of(corners, trouble=None, end_u_rad=0.001, bow_mm=0.0):
    """A strip that lies along y, by its corners: lower left, lower right, upper right, upper left."""
    a, b, c, d = np.asarray(corners, float)
    ends = ((b, c), (a, d))  # long sides run the same way, the right one first
    lines = tuple(
        StripLine(np.array(pair), 0.03, sign * bow_mm, 0.02) for pair, sign in zip(ends, (1.0, -1.0), strict=True)
    )
    along = (c - b + d - a) / 2.0
    along /= np.hypot(*along)
    across = np.array([along[1], -along[0]])
    width = float(((b + c) / 2 - (a + d) / 2) @ across)

    def end(line):
        run = line[1] - line[0]
        cosine = abs(float(run @ along)) / math.hypot(*run)
        return StripEnd(line, math.acos(cosine), end_u_rad, np.empty((0, 2, 2)))

    low, high = end(np.array([a, b])), end(np.array([c, d]))
    return MeasuredStrip((lines[0], lines[1]), (), width, 0.05, (low, high), trouble)
