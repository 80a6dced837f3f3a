"""Measure a piece with curved sides: its outline, its area, and the least distance of two parallel lines around it."""

from __future__ import annotations

import math
from collections.abc import Sequence

import cv2
import numpy as np
from numpy.typing import NDArray

from vision.edge.common import Common
from vision.edge.misfit import USUAL_PX
from vision.edge.picture import Picture
from vision.finding.regions import Region
from vision.outlines.rimcurve import RimPiece, fit_chains, rim_chains, rim_line
from vision.outlines.unitdoubt import Cloth, Trust
from vision.polygons import signed_area
from vision.units import Curved, MeasuredUnit

Floats = NDArray[np.float64]

OUTLINE_POINTS = 128  # about
FINE = 16  # steps from piece to piece for area and size
PRINT_FLOOR_PX = 0.2  # of a short piece of the rim: a print's own figure there, of which nothing is known
MOST_U_MM = 1.0  # who is less sure has not measured it
MOST_BLUR_PX = 2.4


def curved_piece(picture: Picture, region: Region, number: int, cloth: Cloth, trust: Trust) -> MeasuredUnit | None:
    """Measure a region whose rim is curved (`is_curved`); None where its rim cannot be followed.

    `number` is the region's among the picture's neighbours, 0 where there are none. The unit's corners are its
    outline, counter-clockwise, some 64 to 256 places; sharp corners are among them.
    """
    contour = picture.camera.mat_from_px(region.contour_px, picture.height_mm)
    contour = contour if signed_area(contour) > 0 else contour[::-1]
    px_per_mm = math.sqrt(region.area_px / abs(signed_area(contour)))
    fitted = fit_chains(picture, rim_chains(contour, px_per_mm), number)
    if fitted is None:
        return None
    chains, common = fitted
    pieces = [piece for chain in chains for piece in chain]
    outline = rim_line(chains, max(1, round(OUTLINE_POINTS / len(pieces))))
    fine = rim_line(chains, FINE)
    if signed_area(fine) <= 0.0:  # the rim of something else was followed, into a knot
        return None
    curved = _figures(fine, pieces, common, float(picture.camera.lens_mat_mm[2]), cloth, trust)
    u = np.full(len(outline), math.hypot(float(np.median(_own_u_mm(pieces))), trust.rig_u_mm))
    unknown = np.full(len(outline), np.nan)
    trouble = "cut_off" if region.cut_off else _trouble(pieces)
    return MeasuredUnit(outline, u, unknown, unknown, unknown, (), trouble=trouble, curved=curved)


def _trouble(pieces: Sequence[RimPiece]) -> str | None:
    soft = [piece.fit.soft_px for piece in pieces if math.isfinite(piece.fit.soft_px)]
    if soft and float(np.median(soft)) > MOST_BLUR_PX:
        return "blurred"
    return "unsure" if float(np.median(_own_u_mm(pieces))) > MOST_U_MM else None


def _own_u_mm(pieces: Sequence[RimPiece]) -> Floats:
    """(N,): what each piece's place is unsure by, of itself."""
    return np.array(
        [
            math.hypot(math.sqrt(one.fit.own_covariance[0, 0]), PRINT_FLOOR_PX * one.fit.printed / one.fit.px_per_mm)
            for one in pieces
        ]
    )


def _figures(
    outline: Floats, pieces: Sequence[RimPiece], common: Common, lens_mm: float, cloth: Cloth, trust: Trust
) -> Curved:
    """Area and least size. Each piece errs for itself; the picture's light, the cloth's height, scale and rig as one.

    `lens_mm` is how high the lens is above the mat.
    """
    area, size = signed_area(outline), least_size(outline)
    lengths = np.array([piece.length_mm for piece in pieces])
    own = _own_u_mm(pieces)
    model_mm = USUAL_PX / float(np.mean([piece.fit.px_per_mm for piece in pieces]))
    follow = np.array([piece.fit.by_common[0] for piece in pieces])  # (N, 8 + Q or 12 + Q), mm outward
    of_light = np.sqrt(np.maximum(np.einsum("nc,cd,nd->n", follow, common.covariance, follow), 0.0))
    whole = lengths @ follow
    grown = math.hypot(trust.scale_u, cloth.u_mm / lens_mm)  # of any length
    area_u = (
        float(np.hypot.reduce(own * lengths)),
        model_mm * float(lengths.sum()),
        math.sqrt(max(float(whole @ common.covariance @ whole), 0.0)),
        2.0 * area * grown,
        2.0 * math.sqrt(area) * trust.rig_u_mm,
    )
    size_u = (
        2.0 * float(np.median(own)),  # the least of many widths takes up errors that go inwards
        2.0 * model_mm,
        2.0 * float(np.median(of_light)),
        size * grown,
        math.sqrt(2.0) * trust.rig_u_mm,
    )
    return Curved(area, math.hypot(*area_u), size, math.hypot(*size_u))


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
