"""Contrast of light on the mat: the published formula, light that adds up, places that paper or a stain makes other."""

from __future__ import annotations

import csv
from pathlib import Path

import numpy as np
import pytest
from numpy.typing import NDArray

from calibration.light import linear_from_srgb
from calibration.pinhole import Lens, Pinhole
from vision.lamplight.matlight import LEAST, MatLight, contrast, mat_light

ROOT = Path(__file__).parents[3]
TABLE = ROOT / "fixtures" / "tables" / "wcag_contrast.csv"  # W3C WCAG 2.1 and 2.2, definition of contrast ratio
AREA = np.array([[0.0, 0.0], [400.0, 0.0], [400.0, 300.0], [0.0, 300.0]])
SIZE_PX = (430, 330)
WEIGHTS = np.array([0.0722, 0.7152, 0.2126])  # of blue, green, red: IEC 61966-2-1


def overhead() -> Pinhole:
    """A camera straight above that sees a millimetre as a pixel."""
    lens = Lens(SIZE_PX, (1000.0, 1000.0), (SIZE_PX[0] / 2, SIZE_PX[1] / 2))
    turn = np.diag([1.0, -1.0, -1.0])
    return Pinhole(lens, turn, -turn @ np.array([200.0, 150.0, 1000.0]))


def pictures(mat: float, lamp: float, room: float, **patch: float) -> tuple[NDArray[np.float32], NDArray[np.float32]]:
    """Lamp on and off over a mat of one lightness, uneven light (20 % over its width), and a patch of another."""
    lightness = np.full((SIZE_PX[1], SIZE_PX[0]), mat)
    lightness[100:200, 50:150] = patch.get("patch", mat)
    fall = np.linspace(1.0, 0.8, SIZE_PX[0])
    on, off = lightness * (lamp * fall + room), lightness * room
    return tuple(np.repeat(one[..., None], 3, axis=2).astype(np.float32) for one in (on, off))  # type: ignore[return-value]


@pytest.mark.parametrize("row", list(csv.DictReader(TABLE.read_text().splitlines()[1:])), ids=str)
def test_the_formula_is_the_published_one(row: dict[str, str]) -> None:
    first, second = (
        float(linear_from_srgb(np.array([int(text[k : k + 2], 16) for k in (5, 3, 1)]) / 255.0) @ WEIGHTS)
        for text in (row["colour_1"], row["colour_2"])
    )
    assert first == pytest.approx(float(row["luminance_1"]), abs=2e-6)
    assert float(contrast(max(first, second), min(first, second))) == pytest.approx(
        float(row["contrast_ratio"]), abs=2e-3
    )


@pytest.mark.parametrize(("mat", "room"), [(0.68, 0.05), (0.68, 0.4), (0.3, 0.02), (0.1, 0.1)])
def test_light_on_an_even_mat_has_the_contrast_that_follows_by_hand(mat: float, room: float) -> None:
    """Paper sends back all, the lit mat what it is beside paper, the unlit one the room's share of that."""
    on, off = pictures(0.8 * mat, 1.0, room)  # paper sends back 0.8 here: only the ratio counts
    found = mat_light(0.3 * on, 0.3 * off, overhead(), AREA, mat)  # nor does the camera's exposure
    middle = found.contrasts()[15, 20]
    lamp = 1.0 - 0.2 * 220 / SIZE_PX[0]
    assert middle == pytest.approx((mat + 0.05) / (mat * room / (lamp + room) + 0.05), rel=0.01)
    ink = found.contrasts(0.5)[15, 20]
    dark = mat * room / (lamp + room)
    assert ink == pytest.approx(((mat + dark) / 2 + 0.05) / (dark + 0.05), rel=0.01)


def test_a_dark_mat_cannot_hold_the_contrast_in_any_room_and_a_light_one_can_in_a_dim_one() -> None:
    """In the dark the ratio is 20 times the lightness, and 1: 4.5 to 1 needs a mat of 0.175."""
    for mat, room, holds, to_blame in ((0.16, 0.0, False, True), (0.19, 0.0, True, False), (0.68, 0.5, False, False)):
        found = mat_light(*pictures(mat, 1.0, room), overhead(), AREA, mat)
        assert (found.typical >= LEAST) is holds
        assert (found.readable().area > 0.9 * 400 * 300) is holds
        assert found.dark_mat is to_blame


def test_white_paper_on_a_dark_mat_is_where_words_can_stand() -> None:
    found = mat_light(*pictures(0.08, 1.0, 0.1, patch=0.9), overhead(), AREA, 0.08 / 0.9)
    place = found.readable()
    left, low, right, high = place.bounds
    wanted = (50 - 15, 330 - 200 - 15, 150 - 15, 330 - 100 - 15)  # the patch in mm: 15 px of rim on every side
    assert np.abs(np.array([left, low, right, high]) - wanted).max() < 12
    assert found.dark_mat  # the mat, not the paper: most of it


def test_nothing_is_known_beyond_the_picture_and_of_nothing() -> None:
    on, off = pictures(0.5, 1.0, 0.1)
    wide = np.array([[-200.0, 0.0], [400.0, 0.0], [400.0, 300.0], [-200.0, 300.0]])
    found = mat_light(on, off, overhead(), wide, 0.5)
    assert np.isnan(found.lit[:, 0]).all()
    nothing = MatLight((0.0, 0.0), np.full((2, 2), np.nan), np.full((2, 2), np.nan))
    assert (nothing.typical, nothing.dark_mat, nothing.readable().is_empty) == (1.0, False, True)
    with pytest.raises(ValueError, match="one camera"):
        mat_light(on, off[:-1], overhead(), AREA, 0.5)
