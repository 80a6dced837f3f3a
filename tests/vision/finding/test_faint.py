"""Cloth that no cell shows by itself, told in the mean of many, up to its rim."""

from __future__ import annotations

import numpy as np
import pytest

from vision.finding.contrast import measure_contrast

SHAPE = 260, 340
CLOTH = slice(60, 180), slice(90, 250)  # rows and columns of cells
COLOUR = np.array([0.1, -0.05, -0.04])
SD = 0.006  # of a cell, in each level


def bare(lines: float = 0.0) -> np.ndarray:
    """(h, w, 3) cells of a mat, whose lines are so much brighter."""
    levels = np.broadcast_to(COLOUR, (*SHAPE, 3)).copy()
    levels[::23, :, 0] += lines
    levels[:, ::23, 0] += lines
    return levels.astype(np.float32)


def seen(mat: np.ndarray, off: float, seed: int = 1) -> np.ndarray:
    """With cloth of one light that hides the mat."""
    levels = mat.astype(np.float64)
    levels[CLOTH] = COLOUR + np.array([off, 0.0, 0.0])
    return (levels + np.random.default_rng(seed).normal(0.0, SD, levels.shape)).astype(np.float32)


def overlap(found: np.ndarray) -> float:
    """What is found of the cloth, over all that is found or cloth."""
    true = np.zeros(SHAPE, bool)
    true[CLOTH] = True
    return float(np.count_nonzero(true & (found > 0)) / np.count_nonzero(true | (found > 0)))


@pytest.mark.parametrize(("off", "lines"), [(-0.008, 0.0), (0.008, 0.0), (-0.008, 0.01), (0.008, -0.01)])
def test_faint_cloth_is_found_up_to_its_rim(off, lines):
    # 1.3 deviations of a cell, 4 of a mean over 3 x 3: neither is beyond noise in a million. Lines that it hides differ
    # to the same side; where they differ to the other, it takes more.
    mat = bare(lines)
    assert overlap(measure_contrast(seen(mat, off), mat, 1e-3).sure) > 0.9


def test_what_is_no_cloth_is_not_found():
    mat = bare(0.03)
    assert not measure_contrast(seen(mat, 0.0)[:60], mat[:60], 1e-3).sure.any()


def test_the_table_around_the_mat_does_not_hide_what_lies_on_it():
    mat, on_mat = bare(), np.zeros(SHAPE, bool)
    on_mat[30:200, 60:300] = True
    frame = seen(mat, 0.03)
    frame[~on_mat] += np.random.default_rng(2).uniform(0.2, 0.6, (np.count_nonzero(~on_mat), 1)).astype(np.float32)
    assert overlap(measure_contrast(frame, mat, 1e-3, on_mat=on_mat).sure * on_mat) > 0.9
    assert overlap(measure_contrast(frame, mat, 1e-3).sure * on_mat) < 0.6
