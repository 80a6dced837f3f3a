"""The cut line's colour on cloth and mat, and inks that all eyes tell apart there. Colours of cloth are made up."""

from __future__ import annotations

from itertools import combinations

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from projector.guide.scene.scenes import Ink
from projector.light.inks import PALETTE, linear_of
from projector.light.linecolour import CANDIDATES, CLEARLY, USUAL, least_difference, line_colour, looks, suited_palette
from vision.lamplight.eyes import EYES, as_seen, ciede2000, lab_from_linear

MATS = {"dark": (0.07, 0.11, 0.09), "green": (0.06, 0.21, 0.12), "grey": (0.3, 0.3, 0.3), "light": (0.65, 0.67, 0.66)}
CLOTHS = {
    "white": (0.9, 0.9, 0.9),
    "black": (0.03, 0.03, 0.03),
    "navy": (0.03, 0.05, 0.2),
    "red": (0.5, 0.04, 0.05),
    "yellow": (0.85, 0.7, 0.05),
    "blue": (0.04, 0.1, 0.6),
}
APART = 5.0  # CIEDE2000: well over the difference that is just noticed, about 1 (common practice, no source)
TOGETHER = (Ink.GOOD, Ink.BAD, Ink.DOUBT)  # what must not be mistaken for one another where only colour differs
shares = st.floats(0.02, 0.95)


@settings(max_examples=60, deadline=None)
@given(st.lists(st.tuples(shares, shares, shares), min_size=1, max_size=5), st.floats(0.0, 1.0))
def test_no_candidate_is_clearly_better_than_the_one_that_is_taken(
    surfaces: list[tuple[float, float, float]], room: float
) -> None:
    cloth = np.array(surfaces)
    taken = least_difference(linear_of(line_colour(cloth, room)), cloth, room)
    assert taken * CLEARLY >= max(least_difference(linear_of(name), cloth, room) for name in CANDIDATES) - 1e-9


def test_on_blue_cloth_the_line_is_not_yellow() -> None:
    """Blue cloth sends yellow light nowhere."""
    blue = np.array([(0.01, 0.02, 0.5)])
    assert line_colour(blue, 0.1) != USUAL
    palette = suited_palette(blue, 0.1)
    assert least_difference(palette[Ink.CUT], blue, 0.1) > CLEARLY * least_difference(linear_of(USUAL), blue, 0.1)


def test_whatever_had_the_line_s_colour_gives_it_up_and_words_stay_white() -> None:
    for cloth in CLOTHS.values():
        palette = suited_palette(np.array([cloth]), 0.15)
        same = [ink for ink, light in palette.items() if np.array_equal(light, palette[Ink.CUT]) and ink is not Ink.CUT]
        assert set(same) <= {Ink.WORDS, Ink.LAMP, Ink.CAUTION}
        assert np.array_equal(palette[Ink.WORDS], np.ones(3))
        assert set(palette) == set(PALETTE)


@pytest.mark.parametrize("mat", MATS.values(), ids=MATS)
@pytest.mark.parametrize("eyes", EYES)
def test_on_every_mat_all_eyes_tell_the_signs_inks_apart(mat: tuple[float, float, float], eyes: str) -> None:
    """With a dim room's light; words, signs and forms say the same besides."""
    seen = {ink: lab_from_linear(as_seen(looks(PALETTE[ink], np.array([mat]), 0.1), eyes))[0] for ink in TOGETHER}
    apart = {(a, b): float(ciede2000(seen[a], seen[b])) for a, b in combinations(TOGETHER, 2)}
    assert min(apart.values()) > APART, apart


@pytest.mark.parametrize("cloth", CLOTHS.values(), ids=CLOTHS)
def test_the_line_is_seen_on_any_cloth_with_any_mat_by_all_eyes(cloth: tuple[float, float, float]) -> None:
    for mat in MATS.values():
        surfaces = np.array([mat, cloth])
        palette = suited_palette(surfaces, 0.15)
        assert least_difference(palette[Ink.CUT], surfaces, 0.15) > 2 * APART
