"""The rig's picture and words. The rigs are made up by hand; their uncertainties follow from theirs."""

from __future__ import annotations

from dataclasses import replace
from datetime import UTC, datetime
from pathlib import Path
from typing import Any

import cv2
import numpy as np
import pytest

from calibration.pinhole import Lens, Pinhole
from calibration.rig import Device, Rig
from projector.setup.rigpicture import LEFT, TOP, Arrows, rig_picture
from projector.setup.rigwords import line_u_mm, rig_keys
from projector.telling.sentences import part_of_inch, sentence

AREA = np.array([[0.0, 0.0], [900.0, 0.0], [900.0, 600.0], [0.0, 600.0]])


def device(u_x_mm: float) -> Device:
    """Straight above the middle, 1400 mm high; in doubt are its x, and by 1e-4 rad its turn about the mat's origin."""
    rotation = np.diag([1.0, -1.0, -1.0])
    pinhole = Pinhole(
        Lens((1920, 1080), (1400.0, 1400.0), (959.5, 539.5)), rotation, -rotation @ [450.0, 300.0, 1400.0]
    )
    covariance = np.zeros((15, 15))
    covariance[12, 12], covariance[11, 11] = u_x_mm**2, 1e-8
    return Device(pinhole, covariance, 0.05)


def rig() -> Rig:
    return Rig(device(0.02), device(0.03), 0.001, AREA, datetime(2026, 11, 25, tzinfo=UTC), scale_how="your reading")


def test_a_turn_adds_to_a_shift_with_the_distance() -> None:
    """At (0, 300) a turn by 1e-4 rad moves x by 0.03 mm."""
    u = line_u_mm(device(0.02), np.array([[0.0, 0.0], [0.0, 300.0]]))
    assert u == pytest.approx([0.02, np.hypot(0.02, 0.03)], rel=1e-3)


def test_the_keys_say_it_for_people() -> None:
    keys: dict[str, Any] = rig_keys(rig(), Path("rig.json"))
    # at (450, 300), in 1e-4 mm^2: 9 + 9 along x, 20.25 along y, 13.5 between; the larger eigenvalue is 32.67
    assert keys["lands"]["middle_mm"] == pytest.approx(2 * np.sqrt(32.67e-4), abs=1e-4)
    assert keys["lands"]["worst_where"].endswith("corner")
    assert (keys["scale_u"], keys["frame"]) == (0.001, "sheet")
    said = sentence({"event": "rig", **keys, "dots": 30, "closure_mm": 0.031, "closure_worst_mm": 0.08})
    assert "a projected line lands within 0.12 mm (1/128 in) in the middle" in said
    assert "sizes are known to 0.1 % (your reading)" in said
    assert "tried with 30 dots of light: off by 0.03 mm RMS, 0.08 at worst" in said


def test_the_scale_is_a_term_of_its_own() -> None:
    """One part in a hundred makes millimetres at the rim, and they are not mixed into the other figures."""
    doubtful = rig_keys(replace(rig(), scale_u=0.01), Path("rig.json"))
    assert doubtful["projector_u_worst_mm"] == rig_keys(rig(), Path("rig.json"))["projector_u_worst_mm"]


def test_a_length_is_told_with_what_its_uncertainty_is_made_of() -> None:
    """1 % of 100 mm is 1 mm; the other parts are hundredths of one."""
    keys: dict[str, Any] = rig_keys(replace(rig(), scale_u=0.01), Path("rig.json"))
    budget = keys["budget"]
    assert (budget["length"], budget["scale"]) == (100.0, pytest.approx(1.0))
    parts = [budget[part] for part in ("repeatable", "rig", "scale", "height")]
    assert budget["combined"] == pytest.approx(np.sqrt(np.sum(np.square(parts))), abs=1e-3)
    said = sentence({"event": "rig", **keys})
    assert "a length of 100 mm is measured with u 1 mm, most of it the scale's" in said


@pytest.mark.parametrize(("mm", "words"), [(0.1, "1/128 in"), (0.09, "1/128 in"), (6.35, "1/4 in"), (6.4, "1/2 in")])
def test_parts_of_an_inch_are_never_less(mm: float, words: str) -> None:
    assert part_of_inch(mm) == words


def test_the_map_is_darkest_where_the_rig_is_surest_and_arrows_start_where_they_belong() -> None:
    arrows = Arrows(np.array([[450.0, 300.0]]), np.array([[0.05, 0.0]]), "sent to seen")
    plain, drawn = rig_picture(rig(), "a rig"), rig_picture(rig(), "a rig", arrows)
    assert plain.shape == drawn.shape
    grey = cv2.cvtColor(plain, cv2.COLOR_BGR2GRAY)
    scale = 1240 / 900
    middle, corner = (grey[TOP + round(y * scale), LEFT + round(x * scale)] for x, y in ((450, 300), (8, 8)))
    assert middle < corner
    changed = np.argwhere(np.any(plain[: TOP + 800] != drawn[: TOP + 800], axis=2))
    (top, left), (bottom, right) = changed.min(axis=0), changed.max(axis=0)
    start = (LEFT + 450 * scale, TOP + 300 * scale)
    assert left == pytest.approx(start[0], abs=4)
    assert (top + bottom) / 2 == pytest.approx(start[1], abs=2)
    assert right > left + 30  # it points right, as the light went
