"""A long line from pieces: the best straight line through edges that were fitted one after the other, and its bow.

Over a metre of cloth the light falls off, the fabric changes and strips that were sewn together curve. So a long
edge is fitted piece by piece, each with its own light, and the pieces are held against one straight line here.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from calibration.robust import MAD_TO_SD

Floats = NDArray[np.float64]

HUBER = 2.5  # a piece that lies so many of its standard deviations off counts less: a thread, a fold
BOWED = 3.0  # standard uncertainties from which on a line is said to be bowed
ROUNDS = 10
FEWEST_FOR_BOW = 3  # pieces


@dataclass(frozen=True, eq=False, slots=True)
class Piece:
    """One fitted piece: a line through `middle_mat_mm` with the unit vector `along`, cloth on its left."""

    middle_mat_mm: Floats  # (2,), in the mean over the piece's length
    along: Floats  # (2,)
    length_mm: float
    offset_u_mm: float
    turn_u_rad: float


@dataclass(frozen=True, eq=False, slots=True)
class PiecedLine:
    """The best straight line over all pieces; positive offsets and bows lie to the right of `along`: outward."""

    middle_mat_mm: Floats  # (2,)
    along: Floats  # (2,) unit vector
    length_mm: float  # over the pieces
    covariance: Floats  # (2, 2) of offset (mm, outward) at the middle and of turn (rad, counter-clockwise)
    bow_mm: float  # sag of the middle against the ends, positive outward; 0 with fewer than three pieces
    bow_u_mm: float  # inf with fewer than three pieces
    pieces: tuple[Piece, ...]

    @property
    def is_bowed(self) -> bool:
        """Whether a straight line is surely not what the light says."""
        return abs(self.bow_mm) > BOWED * self.bow_u_mm

    @property
    def points_mat_mm(self) -> Floats:
        """(2, 2): two points that the line runs through."""
        return np.array([self.middle_mat_mm, self.middle_mat_mm + self.along])

    def u_at_mm(self, place_mat_mm: Floats) -> float:
        """Standard uncertainty across the line at a place near it, mm."""
        s = float((place_mat_mm - self.middle_mat_mm) @ self.along)
        by = np.array([1.0, -s])
        return math.sqrt(max(float(by @ self.covariance @ by), 0.0))

    def bent_mm(self, along_mm: Floats) -> Floats:
        """How far outward of the straight line the bowed one lies, `along_mm` (N,) from the middle."""
        share = np.asarray(along_mm) / max(self.length_mm / 2.0, 1e-9)
        return np.asarray(self.bow_mm * (1.0 / 3.0 - share**2))


def straight_line(pieces: Sequence[Piece]) -> PiecedLine:
    """Lay a straight line through pieces by weighted least squares; from three pieces on with a parabola beside it.

    The parabola has no mean and no slope over the length, so the line is the straight one nearest to the bowed one.
    Offsets and turns count by their own uncertainties, outliers less (Huber); where the pieces scatter more than
    these say, the covariance grows with them (Birge's ratio: R. T. Birge, Phys. Rev. 40, 1932). Raises ValueError on
    none.
    """
    if not pieces:
        raise ValueError("a line needs one piece at least")
    middles = np.array([piece.middle_mat_mm for piece in pieces])
    lengths = np.array([piece.length_mm for piece in pieces])
    centre, along = middles.mean(axis=0), _about_along(pieces)
    for _ in range(2):
        s = (middles - centre) @ along
        low, high = float(np.min(s - lengths / 2.0)), float(np.max(s + lengths / 2.0))
        centre, length_mm = centre + along * (low + high) / 2.0, high - low
        outward = np.array([along[1], -along[0]])
        line, covariance = _weighted(_rows(pieces, centre, along, length_mm))
        centre, along = centre + outward * line[0], along + outward * line[1]
        along = along / np.hypot(*along)
    bow = (float(line[2]), math.sqrt(covariance[2, 2])) if len(pieces) >= FEWEST_FOR_BOW else (0.0, math.inf)
    flip = np.diag([1.0, -1.0])  # a turn counter-clockwise lowers the outward offset ahead
    return PiecedLine(centre, along, length_mm, flip @ covariance[:2, :2] @ flip, *bow, tuple(pieces))


def _about_along(pieces: Sequence[Piece]) -> Floats:
    """(2,): from the first piece to the last, or the only one's own direction."""
    span = pieces[-1].middle_mat_mm - pieces[0].middle_mat_mm
    own = np.sum([piece.along * piece.length_mm for piece in pieces], axis=0)
    span = span if len(pieces) > 1 and float(span @ own) > 0 else own
    return np.asarray(span / np.hypot(*span))


Rows = tuple[Floats, Floats, Floats]  # design (2K, P), values (2K,), standard uncertainties (2K,)


def _rows(pieces: Sequence[Piece], centre: Floats, along: Floats, length_mm: float) -> Rows:
    """What the pieces say of offset, slope and bow outward: first each piece's mean offset, then its turn."""
    outward, half = np.array([along[1], -along[0]]), length_mm / 2.0
    middles, ways = (np.array([getattr(piece, name) for piece in pieces]) for name in ("middle_mat_mm", "along"))
    s, own = (middles - centre) @ along, np.array([piece.length_mm for piece in pieces])
    one, none = np.ones_like(s), np.zeros_like(s)
    offsets = np.column_stack([one, s, 1.0 / 3.0 - (s**2 + own**2 / 12.0) / half**2])
    turns = np.column_stack([none, one, -2.0 * s / half**2])
    values = np.concatenate([(middles - centre) @ outward, (ways @ outward) / (ways @ along)])
    us = np.concatenate([[piece.offset_u_mm for piece in pieces], [piece.turn_u_rad for piece in pieces]])
    terms = 3 if len(pieces) >= FEWEST_FOR_BOW else 2
    return np.concatenate([offsets, turns])[:, :terms], values, us


def _weighted(rows: Rows) -> tuple[Floats, Floats]:
    """Coefficients (P,) and their covariance (P, P)."""
    design, values, us = rows
    huber = np.ones(len(values))
    for _ in range(ROUNDS):
        weight = huber / us**2
        inverse = np.linalg.inv(design.T @ (weight[:, None] * design))
        coefficients = inverse @ design.T @ (weight * values)
        scaled = np.abs(values - design @ coefficients) / us
        typical = max(1.0, float(np.median(scaled)) * MAD_TO_SD)
        huber = np.minimum(1.0, HUBER * typical / np.maximum(scaled, 1e-12))
    free = len(values) - design.shape[1]
    ratio = float(np.sum(huber * scaled**2)) / free if free > 0 else 1.0
    return coefficients, np.asarray(inverse * max(1.0, ratio))
