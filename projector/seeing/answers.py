"""A look that the guide wants, answered from one scene of the mat: a pure function of what was seen."""

from __future__ import annotations

import math
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from calibration.pinhole import Pinhole
from projector.guide.looks import BlockSeen, Look, Seen, StripsSeen, YardageSeen
from vision.blocks.measure import measure_block
from vision.comparing.compare import judge
from vision.comparing.expected import ExpectedShape, ExpectedStar, ExpectedStrip
from vision.finding.mat import Scene
from vision.measure import Cloth, Trust, find_pieces, measure_units
from vision.strips.measure import MeasuredStrip, measure_strips
from vision.units import MeasuredUnit, Seam

REFLEX_RAD = math.radians(225.0)  # of a corner that goes inward; a step has 270 degrees

Measured = Seen | StripsSeen | YardageSeen | BlockSeen


@dataclass(frozen=True, eq=False, slots=True)
class Sight:
    """One scene, ready to be measured. `cloth` is one layer."""

    scene: Scene
    camera: Pinhole
    on_mat: NDArray[np.bool_]
    cloth: Cloth
    trust: Trust


def answer(look: Look, sight: Sight) -> Measured:
    """What was looked for. Raises ValueError for a bare mat, which is no measurement."""
    match look.kind:
        case "units":
            return _units(look, sight)
        case "strips":
            return StripsSeen(*_strips(look, sight))
        case "yardage":
            return _yardage(look, sight)
        case "block":
            return _block(look, sight)
        case _:
            raise ValueError("the bare mat is not measured")


def _units(look: Look, sight: Sight) -> Seen:
    """Every cloth, a strip set among them: where its end goes in steps, its seams are those of the strip."""
    shapes = [one for one in look.expected if isinstance(one, ExpectedShape)]
    pieces = find_pieces(sight.scene, sight.camera, sight.on_mat)
    units = measure_units(sight.scene, sight.camera, sight.on_mat, sight.cloth, sight.trust, pieces, planned=shapes)
    if sight.scene.known and any(_is_stepped(unit) for unit in units):
        wide = [ExpectedStrip("", width.mean_mm) for unit in units if _is_stepped(unit) for width in unit.widths]
        found = measure_strips(sight.scene, sight.camera, sight.on_mat, pieces, sight.cloth, sight.trust, wide)
        units = tuple(
            _with_seams(unit, found[i]) if i in found and _is_stepped(unit) else unit for i, unit in enumerate(units)
        )
    return Seen(tuple(judge(unit, shapes) for unit in units))


def _is_stepped(unit: MeasuredUnit) -> bool:
    """Whether a cloth without a seam has a corner that goes inward: sewn strips that end one after the other do."""
    return not unit.seams and unit.curved is None and bool(unit.widths) and bool(np.any(unit.angles_rad > REFLEX_RAD))


def _with_seams(unit: MeasuredUnit, strip: MeasuredStrip) -> MeasuredUnit:
    return replace(unit, seams=tuple(Seam(line.ends_mat_mm, line.u_mm) for line in strip.seams))


def _strips(look: Look, sight: Sight) -> tuple[tuple[MeasuredStrip, ...], tuple[MeasuredUnit, ...]]:
    """What has the width of an expected strip, and all other cloth by its outline."""
    expected = [one for one in look.expected if isinstance(one, ExpectedStrip)]
    cloth = layered(sight.cloth, look.layers)
    pieces = find_pieces(sight.scene, sight.camera, sight.on_mat)
    strips = measure_strips(sight.scene, sight.camera, sight.on_mat, pieces, cloth, sight.trust, expected, (_ENDLESS,))
    others = measure_units(sight.scene, sight.camera, sight.on_mat, cloth, sight.trust, pieces, strips.keys())
    return tuple(strips.values()), others


def _yardage(look: Look, sight: Sight) -> YardageSeen:
    """Every cloth by its outline, and what has the width of an expected strip as a strip, too.

    What is left of the yardage may be as narrow as the strip that was cut from it.
    """
    expected = [one for one in look.expected if isinstance(one, ExpectedStrip)]
    cloth = layered(sight.cloth, look.layers)
    pieces = find_pieces(sight.scene, sight.camera, sight.on_mat)
    cloths = measure_units(sight.scene, sight.camera, sight.on_mat, cloth, sight.trust, pieces)
    if not expected:
        return YardageSeen(cloths)
    strips = measure_strips(sight.scene, sight.camera, sight.on_mat, pieces, cloth, sight.trust, expected, (_ENDLESS,))
    return YardageSeen(cloths, tuple(strips.values()))


def _block(look: Look, sight: Sight) -> BlockSeen:
    stars = [one for one in look.expected if isinstance(one, ExpectedStar)]
    cloth = layered(sight.cloth, look.layers)
    pieces = find_pieces(sight.scene, sight.camera, sight.on_mat)
    units = measure_units(sight.scene, sight.camera, sight.on_mat, cloth, sight.trust, pieces)
    for unit in units:
        for star in stars:
            block = measure_block(pieces.scene, sight.camera, unit, star, cloth, sight.trust)
            if block is not None:
                return BlockSeen(block, tuple(other for other in units if other is not unit))
    return BlockSeen(None, units)


def layered(cloth: Cloth, layers: int) -> Cloth:
    """So many layers of cloth, one upon the other; how thick a layer is is unknown alike for all of them."""
    return Cloth(layers * cloth.height_mm, layers * cloth.u_mm)


# So long a unit is expected that nothing is taken for a strip by its length alone.
_ENDLESS = ExpectedShape("endless", np.array([[0.0, 0.0], [1e6, 0.0], [1e6, 1.0], [0.0, 1.0]]))
