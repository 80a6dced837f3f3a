"""Sizes of the things on the virtual table, mm."""

from __future__ import annotations

import numpy as np

MAT_MM = (914.4, 609.6)  # 36 x 24 in
MAT_CORNERS_MM = np.array([[0.0, 0.0], [MAT_MM[0], 0.0], MAT_MM, [0.0, MAT_MM[1]]])
GRID_MM = 25.4
GRID_LINE_MM = 0.5
SHEET_THICKNESS_MM = 0.1
CLOTH_THICKNESS_MM = 0.4
