"""The scenes of the seam check: what stands in the light in each phase, in millimetres of the mat."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray
from shapely import Polygon

from projector.guide.scene.marks import THIN_MM, path
from projector.guide.scene.page import Page, title
from projector.guide.scene.room import Row
from projector.guide.scene.scenes import Ink, Scene, Stroke
from projector.guide.setcheck.state import Phase, SetCheck
from projector.piecing.foresight.seamadvice import block_words, odd_seam_words, seam_words, sewing_words
from projector.piecing.lengths import length_text

Floats = NDArray[np.float64]

WITHOUT = "or press space to go on without the check"
ASSUMED = "its strips are taken as the plan has them, to 1/64 in"


def scene_of(state: SetCheck) -> Scene:
    """What the light shows while the chapter waits in this state."""
    cloths = [] if state.strip is None else [_outline(state)]
    page = Page.of(state.area_mat_mm, cloths, state.sitting)
    if state.strip is not None:
        lines = [*state.strip.long_sides, *state.strip.seams]
        page = page.drawn(*(Stroke(path(*line.ends_mat_mm), THIN_MM, Ink.OUTLINE) for line in lines))
    middle = Polygon(state.area_mat_mm).centroid
    near = (middle.x, middle.y) if not cloths else (float(cloths[0][:, 0].mean()), float(cloths[0][:, 1].mean()))
    return page.written(_rows(state), near).scene(state.phase.value)


def _rows(state: SetCheck) -> list[Row]:
    note, metric = title(state.note, WITHOUT) if state.note else [], state.plan.metric
    match state.phase:
        case Phase.CLEAR_MAT:
            return title("clear the mat")
        case Phase.LAY_SET:
            size = f"sewn and pressed, {length_text(state.source.width_mm, metric)} wide as planned"
            return [*title(f"lay the strip set down: {state.source.name}", size, "its seams are checked"), *note]
        case Phase.TOLD if state.test is not None:
            said, figures = seam_words(state.test, metric)
            do = sewing_words(state.test)
            assumed = ASSUMED if state.strips_from == "plan" else ""
            more = (
                block_words(state.sizes, metric),
                odd_seam_words(state.test, metric),
                figures,
                assumed,
                "take it up to go on",
            )
            return title(f"{said}: {do}" if do else said, *more)
        case _:
            return note


def _outline(state: SetCheck) -> Floats:
    """(4, 2) of the set, from its long sides."""
    if state.strip is None:
        raise ValueError("no strip set lies on the mat")
    first, second = (line.ends_mat_mm for line in state.strip.long_sides)
    return np.array([*first, *second[::-1]])
