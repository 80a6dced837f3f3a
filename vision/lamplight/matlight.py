"""How well the projector's light can be read on the bare mat: contrast by WCAG's formula, place by place."""

from __future__ import annotations

from dataclasses import dataclass
from functools import cached_property

import cv2
import numpy as np
import shapely
from numpy.typing import NDArray
from shapely.geometry.base import BaseGeometry

from calibration.pinhole import Pinhole
from vision.finding.mat import guessed_mat_picture, on_mat_mask
from vision.light import LUMA_CHROMA

Floats = NDArray[np.float64]
Floats32 = NDArray[np.float32]

FLARE = 0.05  # of white, that WCAG adds to every luminance: light that no screen and no eye keeps out
LEAST = 4.5  # success criterion 1.4.3, level AA, of words
PITCH_MM = 10.0  # of the grid of places
DIM = 1e-4  # linear light under which a camera tells nothing


def contrast(lighter: Floats | float, darker: Floats | float) -> Floats:
    """Ratio of two luminances relative to white (W3C, WCAG 2.2, "contrast ratio").

    >>> float(np.round(contrast(1.0, 0.0), 2))
    21.0
    """
    return (np.asarray(lighter, float) + FLARE) / (np.asarray(darker, float) + FLARE)


@dataclass(frozen=True, eq=False)
class MatLight:
    """The bare mat's luminance on a grid, relative to white paper at the same place under full white and room light.

    `lit` and `dark` are (R, C): the mat under the projector's full white, and without it; NaN where the camera does
    not see the mat. Row r, column c is the cell of `PITCH_MM` whose lower left corner is (c, r) cells from the origin.
    """

    origin_mat_mm: tuple[float, float]
    lit: Floats
    dark: Floats

    def contrasts(self, ink: float = 1.0) -> Floats:
        """(R, C): of an ink with a share `ink` of full white's luminance against the mat beside it.

        Lit letters on the mat and dark letters on a lit patch have the same two luminances, so the same contrast.
        """
        return contrast(self.dark + ink * (self.lit - self.dark), self.dark)

    @cached_property
    def typical(self) -> float:
        """The contrast of full white in the median place; 1 where nothing is known."""
        found = self.contrasts()
        return float(np.nanmedian(found)) if np.isfinite(found).any() else 1.0

    @cached_property
    def room(self) -> float:
        """The room's light over the projector's white, in the median place; 0 where nothing is known."""
        known = np.isfinite(self.lit) & (self.lit > self.dark)
        return float(np.median(self.dark[known] / (self.lit - self.dark)[known])) if known.any() else 0.0

    @cached_property
    def dark_mat(self) -> bool:
        """Whether the mat itself, not the room, is what hides the light: in a dark room it would be no better."""
        alone = contrast(self.lit - self.dark, 0.0)
        return bool(np.nanmedian(alone) < LEAST) if np.isfinite(alone).any() else False

    def readable(self, ink: float = 1.0, least: float = LEAST) -> BaseGeometry:
        """Where on the mat words in that ink have at least that contrast."""
        rows, columns = np.nonzero(np.nan_to_num(self.contrasts(ink)) >= least)
        x, y = (self.origin_mat_mm[k] + PITCH_MM * at for k, at in enumerate((columns, rows)))
        return shapely.union_all(shapely.box(x, y, x + PITCH_MM, y + PITCH_MM))


def mat_light(on: Floats32, off: Floats32, camera: Pinhole, area_mat_mm: Floats, mat_over_paper: float) -> MatLight:
    """From two pictures of the bare mat, the lamp at full white and off, in linear light (by the camera's tone curve).

    Parameters
    ----------
    on, off : (H, W, 3) float32
        Linear light, of one exposure.
    camera : Pinhole
    area_mat_mm : (M, 2) float64
        Where camera and light reach the mat.
    mat_over_paper : float
        How bright the mat is beside white paper in the same light, in the typical place.

    Notes
    -----
    Light adds up, so `off` over `on` is the room's share of all the light at a place, whatever lies there. What
    lies there is told by the lamp's light alone beside a smooth surface through the mat's commonest colour, which
    stands for `mat_over_paper`: a stain is darker, white paper on the mat lighter. Raises ValueError for other sizes.
    """
    if on.shape != off.shape:
        raise ValueError(f"the pictures are {on.shape[:2]} and {off.shape[:2]}; take both with one camera")
    smooth = guessed_mat_picture(on - off, on_mat_mask(camera, area_mat_mm)).levels[..., 0]
    lamp, room = (np.asarray(light @ LUMA_CHROMA[0], np.float32) for light in (on - off, off))
    left, low, right, high = shapely.Polygon(area_mat_mm).bounds
    x, y = np.arange(left, right, PITCH_MM), np.arange(low, high, PITCH_MM)
    middles = np.stack(np.meshgrid(x + PITCH_MM / 2, y + PITCH_MM / 2), axis=-1)
    lamp_at, room_at, smooth_at = (_looked_up(light, camera, middles) for light in (lamp, room, smooth))
    with np.errstate(invalid="ignore", divide="ignore"):
        lightness = np.clip(mat_over_paper * lamp_at / smooth_at, 0.0, 1.0)
        share = np.clip(room_at / (lamp_at + room_at), 0.0, 1.0)
    on_mat = shapely.contains_xy(shapely.Polygon(area_mat_mm), middles[..., 0], middles[..., 1])
    known = on_mat & (lamp_at + room_at > DIM)
    lit = np.where(known, lightness, np.nan)
    return MatLight((float(left), float(low)), lit, lit * share)


def _looked_up(light: Floats32, camera: Pinhole, middles_mat_mm: Floats) -> Floats:
    """The mean light (R, C) of the cells around middles (R, C, 2), NaN beyond the picture."""
    step = np.array([[PITCH_MM, 0.0], [0.0, PITCH_MM]])
    middle = middles_mat_mm.reshape(-1, 2).mean(axis=0)
    cell_px = float(np.sqrt(abs(np.linalg.det(camera.px_from_mat(middle + step) - camera.px_from_mat(middle[None])))))
    size = max(1, round(cell_px)) | 1
    mean = cv2.blur(np.asarray(light, np.float32), (size, size))
    at = camera.px_from_mat(middles_mat_mm.reshape(-1, 2)).reshape(middles_mat_mm.shape).astype(np.float32)
    found = cv2.remap(
        mean, at[..., 0], at[..., 1], cv2.INTER_LINEAR, borderMode=cv2.BORDER_CONSTANT, borderValue=np.nan
    )
    return np.asarray(found, np.float64)
