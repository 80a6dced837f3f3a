"""Measure a piece with curved sides: its outline, its area, and the least distance of two parallel lines around it."""

from __future__ import annotations

import math
from collections.abc import Sequence
from typing import TYPE_CHECKING

import cv2
import numpy as np
from numpy.typing import NDArray

from calibration.pinhole import Pinhole
from vision.edge_model import Blur
from vision.mat import Scene, Slopes
from vision.polygons import signed_area
from vision.regions import Region
from vision.rimcurve import RimPiece, fit_chain, rim_chains, rim_line
from vision.units import Curved, MeasuredUnit

if TYPE_CHECKING:  # what calls this module says what cloth and rig are like
    from vision.measure import Cloth, Trust

Floats = NDArray[np.float64]

OUTLINE_POINTS = 128  # about
FINE = 16  # steps from piece to piece for area and size
MODEL_FLOOR_PX = 0.02  # of the whole rim at once: what no fit on an 8-bit picture of real cloth can promise to beat
PRINT_FLOOR_PX = 0.2  # of a short piece of the rim: a print's own figure there, of which nothing is known
MOST_U_MM = 1.0  # who is less sure has not measured it
MOST_BLUR_PX = 2.4


def curved_piece(
    scene: Scene,
    camera: Pinhole,
    region: Region,
    cloth: Cloth,
    trust: Trust,
    taken: NDArray[np.bool_] | None = None,
    slopes: Slopes | None = None,
    blur: Blur | None = None,
) -> MeasuredUnit | None:
    """Measure a region whose rim is curved (`is_curved`); None where its rim cannot be followed.

    `taken` (H, W) marks pixels of other cloth, `slopes` are the bare mat's (`Scene.slopes`). The unit's corners are
    its outline, counter-clockwise, some 64 to 256 places; sharp corners are among them.
    """
    contour = camera.mat_from_px(region.contour_px, cloth.height_mm)
    contour = contour if signed_area(contour) > 0 else contour[::-1]
    slopes = scene.slopes() if slopes is None else slopes
    taken = np.zeros(scene.levels.shape[:2], bool) if taken is None else taken
    chains = []
    for chain in rim_chains(contour, math.sqrt(region.area_px / abs(signed_area(contour)))):
        pieces = fit_chain(scene, slopes, camera, cloth.height_mm, chain, taken, blur or Blur())
        if pieces is None:
            return None
        chains.append(pieces)
    pieces = [piece for chain in chains for piece in chain]
    outline = rim_line(chains, max(1, round(OUTLINE_POINTS / len(pieces))))
    curved = _figures(rim_line(chains, FINE), pieces, camera, cloth, trust)
    u = np.full(len(outline), math.hypot(float(np.median(_own_u_mm(pieces))), trust.rig_u_mm))
    unknown = np.full(len(outline), np.nan)
    trouble = "cut_off" if region.cut_off else _trouble(pieces)
    return MeasuredUnit(outline, u, unknown, unknown, unknown, (), trouble=trouble, curved=curved)


def _trouble(pieces: Sequence[RimPiece]) -> str | None:
    if float(np.median([piece.fit.blur_px for piece in pieces])) > MOST_BLUR_PX:
        return "blurred"
    return "unsure" if float(np.median(_own_u_mm(pieces))) > MOST_U_MM else None


def _own_u_mm(pieces: Sequence[RimPiece]) -> Floats:
    """(N,): what each piece's place is unsure by, of itself."""
    return np.array(
        [
            math.hypot(math.sqrt(one.fit.covariance[0, 0]), PRINT_FLOOR_PX * one.fit.printed / one.fit.px_per_mm)
            for one in pieces
        ]
    )


def _figures(outline: Floats, pieces: Sequence[RimPiece], camera: Pinhole, cloth: Cloth, trust: Trust) -> Curved:
    """Area and least size. Each piece errs for itself; the edge's model, the cloth's height, scale and rig as one."""
    area, size = signed_area(outline), least_size(outline)
    lengths = np.array([piece.length_mm for piece in pieces])
    own = _own_u_mm(pieces)
    model_mm = MODEL_FLOOR_PX / float(np.mean([piece.fit.px_per_mm for piece in pieces]))
    wall_mm = np.array([_hidden_wall_mm(piece, camera, cloth) for piece in pieces]) / math.sqrt(12.0)
    grown = math.hypot(trust.scale_u, cloth.u_mm / float(camera.lens_mat_mm[2]))  # of any length
    area_u = (
        float(np.hypot.reduce(own * lengths)),
        model_mm * float(lengths.sum()),
        float(wall_mm @ lengths),
        2.0 * area * grown,
        2.0 * math.sqrt(area) * trust.rig_u_mm,
    )
    size_u = (
        2.0 * float(np.median(own)),  # the least of many widths takes up errors that go inwards
        2.0 * model_mm,
        float(wall_mm.max()),
        size * grown,
        math.sqrt(2.0) * trust.rig_u_mm,
    )
    return Curved(area, math.hypot(*area_u), size, math.hypot(*size_u))


def _hidden_wall_mm(piece: RimPiece, camera: Pinhole, cloth: Cloth) -> float:
    """How far the side wall's foot is seen beside its top, where the wall faces the lens."""
    away = piece.place_mat_mm - camera.lens_mat_mm[:2]
    outward = np.array([piece.along[1], -piece.along[0]])
    return max(0.0, -float(away @ outward)) / float(camera.lens_mat_mm[2]) * cloth.height_mm


def least_size(outline: Floats) -> float:
    """The least distance of two parallel lines around places (N, 2).

    One of them lies along a side of the convex hull (M. E. Houle, G. T. Toussaint, "Computing the width of a set",
    IEEE PAMI 10(5), 1988).

    >>> round(least_size(np.array([[0.0, 0.0], [4.0, 0.0], [4.0, 3.0]])), 6)
    2.4
    """
    middle = outline.mean(axis=0)
    hull = np.asarray(cv2.convexHull((outline - middle).astype(np.float32))[:, 0], np.float64)
    ahead = np.roll(hull, -1, axis=0) - hull
    lengths = np.hypot(*ahead.T)
    ahead, start = ahead[lengths > 1e-6], hull[lengths > 1e-6]
    normals = np.column_stack([ahead[:, 1], -ahead[:, 0]]) / np.hypot(*ahead.T)[:, None]
    distances = np.abs(np.einsum("shk,sk->sh", hull[None] - start[:, None], normals))
    return float(distances.max(axis=1).min())
