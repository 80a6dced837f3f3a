"""The keys of strips and blocks, which scripts rely on, and their sentences. No outside source: our own interface."""

from __future__ import annotations

import io
import json
import math

import numpy as np

from projector.table.clock import WallClock
from projector.telling.events import Teller
from projector.telling.pieceevents import block_event, strip_event
from projector.telling.sentences import sentence
from vision.blocks.measure import MeasuredBlock
from vision.strips.measure import MeasuredStrip, StripEnd, StripLine
from vision.strips.verdict import JudgedStrip
from vision.units import Verdict

STRIP_KEYS = {
    *("event", "frame", "expected", "long_sides_mat_mm", "long_sides_u_mm", "long_sides_bow_mm", "long_sides_bow_u_mm"),
    *("seams_mat_mm", "seams_u_mm", "seams_bow_mm", "seams_bow_u_mm", "width_mm", "width_u_mm", "ends", "trouble"),
    *("verdict", "fit_probability", "why"),
}


def line(y, bow_u_mm=0.02):
    return StripLine(np.array([[0.0, y], [500.0, y]]), 0.0312345, 0.1, bow_u_mm)


def strip(ends):
    return MeasuredStrip((line(0.0), line(160.0)), (line(77.8, math.inf),), 159.9821, 0.05, ends)


CUT = StripEnd(np.array([[500.0, 0.0], [340.0, 160.0]]), math.radians(45.0), math.radians(0.02), np.empty((0, 2, 2)))
STEPPED = StripEnd(CUT.line_mat_mm, math.radians(60.0), math.radians(0.1), np.zeros((2, 2, 2)))


def test_a_strip_has_the_keys_that_scripts_rely_on():
    event = strip_event(JudgedStrip(strip((CUT, STEPPED)), "strip(160 mm)", Verdict.FITS, 0.98765), "a.jpg")
    assert set(event) == STRIP_KEYS
    out = io.StringIO()
    Teller(WallClock(), True, out, io.StringIO()).tell(**event)
    told = json.loads(out.getvalue())
    assert np.shape(told["long_sides_mat_mm"]) == (2, 2, 2)
    assert np.shape(told["seams_mat_mm"]) == (1, 2, 2)
    assert told["long_sides_u_mm"] == [0.0312, 0.0312]
    assert (told["seams_bow_mm"], told["seams_bow_u_mm"]) == ([None], [None])  # not known
    assert [set(end) for end in told["ends"]] == [{"line_mat_mm", "angle_deg", "u_deg", "steps_mat_mm"}] * 2
    assert [end["angle_deg"] for end in told["ends"]] == [45.0, 60.0]
    assert [len(end["steps_mat_mm"]) for end in told["ends"]] == [0, 2]
    assert told["verdict"] == "fits"


def test_a_strip_in_words():
    event = strip_event(JudgedStrip(strip((CUT, STEPPED)), "strip(160 mm)", Verdict.FITS, 0.98765), "a.jpg")
    assert sentence(event) == (
        "a.jpg: strip strip(160 mm): fits; 6 5/16 in (159.98 ± 0.05 mm) wide, 1 seam; end at 45.00 ± 0.02 deg and "
        "stepped end at 60.00 ± 0.10 deg to its long sides."
    )
    assert "measured, not judged" in sentence(strip_event(JudgedStrip(strip(())), "a.jpg"))
    assert "no end in the picture" in sentence(strip_event(JudgedStrip(strip(())), "a.jpg"))


def test_a_block_has_the_keys_that_scripts_rely_on():
    corners, turns = np.array([[0.0, 0.0], [450.0, 0.0], [450.0, 450.0], [0.0, 450.0]]), np.arange(4) * math.pi / 2
    tips = 225.0 + 200.0 * np.column_stack([np.cos(turns), np.sin(turns)])
    block = MeasuredBlock(
        corners, np.full(4, 0.05), tips, np.full(4, 0.06), np.array([400.0, 400.5]), np.array([0.08, 0.09])
    )
    event = block_event(block, "star(4, 450 mm)", "b.jpg")
    assert {"corners_mat_mm", "tips_mat_mm", "tips_u_mm", "distances_mm"} < set(event)
    assert np.shape(event["tips_mat_mm"]) == (4, 2)
    assert sentence(event) == (
        "b.jpg: block star(4, 450 mm): 4 points, opposite ones 15 3/4 in (400.25 mm) apart (400.00 to 400.50, "
        "each ± 0.09)."
    )
