"""Rendered frames of a cutting table, with exact truth: every unit found, none invented, the figures we state."""

from __future__ import annotations

import json
from functools import cache
from pathlib import Path

import numpy as np
import pytest

from calibration.lens.photographs import camera_from_photographs
from calibration.pinhole import Pinhole
from calibration.sheet.board import Board
from tests.whole.table_truth import CLASSES, Matched, Measured, mat_from_sheet, match, true_units
from vision.finding.mat import compare_with_mat, mat_picture
from vision.frames.pictures import read_picture
from vision.light import linear_image, mean_light
from vision.measure import measure_units
from vision.units import MeasuredUnit

TABLE = Path(__file__).parents[2] / "fixtures" / "table"
TRUTH = json.loads((TABLE / "units.json").read_text())["frames"]


@cache
def camera() -> Pinhole:
    flat, tilted = (
        [(p.name, read_picture(p)) for p in sorted(TABLE.glob(f"board_{how}_*.jpg"))] for how in ("flat", "tilt")
    )
    return camera_from_photographs(flat, tilted, Board())[0].device.pinhole


def measured(photograph: str, *empty: str) -> tuple[MeasuredUnit, ...]:
    mat = mat_picture(mean_light([read_picture(TABLE / name) for name in empty]))
    pixels = read_picture(TABLE / photograph)
    everywhere = np.ones(pixels.shape[:2], bool)
    return measure_units(compare_with_mat(linear_image(pixels), mat, everywhere), camera(), everywhere)


@cache
def scored() -> tuple[Matched, ...]:
    pose = json.loads((TABLE / "boards.json").read_text())["boards"]["board_flat_01.jpg"]
    to_mat = mat_from_sheet(pose)
    found = [measured(frame["file"], "empty_01.jpg", "empty_02.jpg") for frame in TRUTH]
    return tuple(
        match(true_units(frame), [Measured.of_unit(unit, to_mat) for unit in units])
        for frame, units in zip(TRUTH, found, strict=True)
    )


def width_errors(fabrics: str | None = None):
    pairs = [p for matched in scored() for p in matched.pairs if p.truth.straight]
    return np.array([e for p in pairs if fabrics in (None, p.truth.fabric_class) for e, _ in p.widths()])


def rms(values) -> float:
    return float(np.sqrt(np.mean(np.square(values))))


def test_every_unit_is_found_and_none_is_invented():
    assert [(one.frame, one.name) for matched in scored() for one in matched.missed] == []
    assert [len(matched.pairs) for matched in scored()] == [len(frame["objects"]) for frame in TRUTH]
    assert sum(len(matched.invented) for matched in scored()) == 0


@pytest.mark.parametrize(("photograph", "empty"), [("empty_01.jpg", "empty_02.jpg"), ("empty_02.jpg", "empty_01.jpg")])
def test_nothing_is_found_on_the_empty_mat(photograph, empty):
    assert measured(photograph, empty) == ()


def test_widths_are_as_good_as_we_say():
    # the figures that the product states for photographs: 0.1 mm on cloth that stands out, 0.3 mm on any
    solids, every = width_errors(CLASSES[0]), width_errors()
    assert len(solids) >= 20
    assert len(every) >= 50
    assert rms(solids) <= 0.1
    assert rms(every) <= 0.3
    assert abs(every.mean()) <= 0.05
    assert abs(solids.mean()) <= 0.05


def test_angles_of_solids_tell_a_quarter_of_a_degree():
    # half of the standard angle tolerance, 0.5 degree, at two standard deviations
    pairs = [p for m in scored() for p in m.pairs if p.truth.straight and p.truth.fabric_class == CLASSES[0]]
    assert rms([off for pair in pairs for off in pair.angles_deg()]) < 0.125


def test_seams_are_where_they_are():
    # A pressed seam is a ridge up to 0.3 mm high and no knife edge. None is missed where the fabrics differ.
    seamed = [p for m in scored() for p in m.pairs if p.truth.straight and p.truth.seam_mat_mm is not None]
    found = [pair.seam_mm() for pair in seamed]
    assert len(seamed) >= 10
    assert sum(ends is not None for ends in found) >= len(seamed) - 1
    assert rms([off for ends in found if ends is not None for off in ends]) < 0.3
    plain = [p for m in scored() for p in m.pairs if len(p.truth.fabrics) == 1]
    assert [p.truth.name for p in plain if len(p.measured.seams_mat_mm)] == []
