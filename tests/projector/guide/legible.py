"""What makes a scene legible, held against the typeface's own widths; for tests of scenes of every kind."""

from __future__ import annotations

import math
from collections.abc import Sequence

from shapely import LineString, Polygon, box
from shapely.affinity import rotate, translate
from shapely.geometry.base import BaseGeometry

from projector.guide.scene.cautions import CAUTIONS, SIGNAL_WORD
from projector.guide.scene.page import ON_CLOTH
from projector.guide.scene.room import ABOVE, BELOW, FIGURE, FRACTION, SMALL
from projector.guide.scene.scenes import Fill, Ink, Scene, Stroke, Words
from projector.light.lettering import text_width_mm

LEAST_MM, LEAST_DIGIT_MM = 8.0, 8.0  # of capitals; of a fraction's digits
SLACK_MM = 1e-6


def text_box(words: Words) -> BaseGeometry:
    """Where the typeface really puts a line of text."""
    wide = text_width_mm(words.text, words.height_mm)
    left = 0.0 if words.anchor == "left" else -wide / 2
    upright = box(left, -BELOW * words.height_mm, left + wide, ABOVE * words.height_mm)
    return translate(rotate(upright, words.turn_rad, origin=(0, 0), use_radians=True), *words.at_mat_mm)


def faults(scene: Scene, area: BaseGeometry, cloths: Sequence[BaseGeometry], turn_rad: float = 0.0) -> list[str]:
    """Everything that would make the scene hard to read; cautions that the scene itself says lie on cloth may do so."""
    found = []
    words = [mark for mark in scene.marks if isinstance(mark, Words)]
    boxes = [text_box(mark) for mark in words]
    lines = [LineString(mark.points_mat_mm) for mark in scene.marks if isinstance(mark, Stroke) and mark.ink is Ink.CUT]
    for k, (mark, text) in enumerate(zip(words, boxes, strict=True)):
        caution = mark.text == SIGNAL_WORD or any(line in mark.text or mark.text in line for line in CAUTIONS)
        if not area.buffer(SLACK_MM).covers(text):
            found.append(f"{mark.text!r} leaves the light")
        if any(text.intersection(cloth).area > SLACK_MM for cloth in cloths) and not (
            caution and scene.caution_doubt == ON_CLOTH
        ):
            found.append(f"{mark.text!r} lies on cloth")
        found += [
            f"{mark.text!r} lies on {other.text!r}"
            for other, there in zip(words[:k], boxes[:k], strict=True)
            if text.intersection(there).area > SLACK_MM
        ]
        if any(text.intersects(line) for line in lines) and scene.caution_doubt != ON_CLOTH:
            found.append(f"{mark.text!r} lies on the cut")
        if mark.height_mm < LEAST_MM - SLACK_MM:
            found.append(f"{mark.text!r} is too small")
        if FRACTION.search(mark.text) and mark.height_mm * SMALL * FIGURE < LEAST_DIGIT_MM - SLACK_MM:
            found.append(f"the fraction in {mark.text!r} is too small")
        if abs(math.remainder(mark.turn_rad - turn_rad, 2 * math.pi)) > 1e-9:
            found.append(f"{mark.text!r} is not upright")
    for fill in (mark for mark in scene.marks if isinstance(mark, Fill) and mark.ink is Ink.KEEP):
        if any(Polygon(fill.corners_mat_mm).intersection(cloth).area > SLACK_MM for cloth in cloths):
            found.append("the mark of the kept side lies on cloth")
    return found


def without_cautions(scene: Scene) -> list[str]:
    """What is missing of the cautions in a scene that shows a cut."""
    said = " ".join(mark.text for mark in scene.marks if isinstance(mark, Words))
    lines = [part for line in CAUTIONS for part in (line.split() if line not in said else [])]
    missing = [part for part in lines if part not in said]
    return missing + ([] if SIGNAL_WORD in said.split() else [SIGNAL_WORD])
