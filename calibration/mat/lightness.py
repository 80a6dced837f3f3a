"""How light the bare mat is beside white paper: the sheet lay on it, under the same lamp."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
from numpy.typing import NDArray

from calibration.sheet.corners import SheetView
from calibration.tone import Tone

LUMINANCE = np.array([0.0722, 0.7152, 0.2126], np.float32)  # of linear blue, green, red: IEC 61966-2-1


def mat_over_paper(bare: NDArray[np.uint8], flat: Sequence[SheetView], tone: Tone) -> float | None:
    """The mat's level over the paper's where the sheet lay flat, the median over the views; 0 to 1.

    Parameters
    ----------
    bare : (H, W, 3) uint8
        The bare mat, taken under the light and with the exposure of the views.
    flat : sequence of SheetView
    tone : Tone
        The camera's tone curve.

    Returns
    -------
    float or None
        None where no view knows its white. The light at a place cancels, room's and lamp's alike; lines printed on the
        mat are at few of the places, and do not count.
    """
    level = tone.table[bare] @ LUMINANCE
    height, width = level.shape
    ratios = []
    for view in flat:
        columns, rows = np.rint(view.corners_px).astype(int).T
        seen = (columns >= 0) & (rows >= 0) & (columns < width) & (rows < height)
        if np.isfinite(view.white) and view.white > 0.0 and seen.any():
            ratios.append(float(np.median(level[rows[seen], columns[seen]])) / view.white)
    return float(np.clip(np.median(ratios), 0.0, 1.0)) if ratios else None
