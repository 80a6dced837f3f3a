"""Differences of colours against the published pairs; what other eyes see."""

from __future__ import annotations

import csv
from pathlib import Path

import numpy as np
import pytest

from calibration.light import linear_from_srgb
from vision.lamplight.eyes import EYES, as_seen, ciede2000, lab_from_linear

ROOT = Path(__file__).parents[3]
# Sharma, Wu, Dalal, Color Research and Application 30(1), 2005, table 1; tolerance half of its last digit
PAIRS = list(csv.DictReader((ROOT / "fixtures/tables/ciede2000_pairs_01_17.csv").read_text().splitlines()[1:]))


def rgb(code: str) -> np.ndarray:
    return linear_from_srgb(np.array([int(code[k : k + 2], 16) for k in (1, 3, 5)]) / 255.0)


@pytest.mark.parametrize("row", PAIRS, ids=lambda row: row["pair"])
def test_ciede2000_gives_the_published_differences_either_way_round(row: dict[str, str]) -> None:
    first, second = (np.array([float(row[f"{name}{k}"]) for name in ("L", "a", "b")]) for k in (1, 2))
    assert float(ciede2000(first, second)) == pytest.approx(float(row["dE00"]), abs=5.1e-5)
    assert float(ciede2000(second, first)) == pytest.approx(float(row["dE00"]), abs=5.1e-5)


def test_many_at_once_are_as_one_by_one_and_a_colour_is_itself() -> None:
    colours = np.random.default_rng(3).uniform([0, -80, -80], [100, 80, 80], (40, 3))
    many = ciede2000(colours[:20], colours[20:])
    assert np.allclose(many, [ciede2000(a, b) for a, b in zip(colours[:20], colours[20:], strict=True)])
    assert np.all(ciede2000(colours, colours) == 0.0)


@pytest.mark.parametrize(
    ("code", "lab"),
    [  # sRGB to CIELAB as scikit-image, colour-science and coloraide give it, agreeing within 0.025
        ("#ff0000", (53.24, 80.09, 67.20)),
        ("#00ff00", (87.74, -86.18, 83.18)),
        ("#0000ff", (32.30, 79.19, -107.86)),
        ("#808080", (53.585, 0.0, 0.0)),
        ("#ffffff", (100.0, 0.0, 0.0)),
    ],
)
def test_cielab_of_known_colours(code: str, lab: tuple[float, float, float]) -> None:
    assert lab_from_linear(rgb(code)) == pytest.approx(lab, abs=0.03)


def test_other_eyes_keep_grey_and_confuse_what_they_are_known_to_confuse() -> None:
    """Red and green of one lightness come together for protan and deutan eyes, blue and green for tritan ones."""
    greys = np.repeat(np.linspace(0, 1, 5)[:, None], 3, axis=1)
    for eyes in EYES:
        assert np.abs(as_seen(greys, eyes) - greys).max() < 2e-6

    def apart(a: str, b: str, eyes: str) -> float:
        return float(ciede2000(*(lab_from_linear(as_seen(rgb(code), eyes)) for code in (a, b))))

    assert apart("#b04a3a", "#66752a", "deutan") < 0.5 * apart("#b04a3a", "#66752a", "usual")
    assert apart("#b04a3a", "#66752a", "protan") < 0.7 * apart("#b04a3a", "#66752a", "usual")
    assert apart("#3f7fbf", "#2f8a7f", "tritan") < 0.5 * apart("#3f7fbf", "#2f8a7f", "usual")
