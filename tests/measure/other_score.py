"""What a measured table is worth beside the truth: counts, errors with their stated uncertainty, verdicts."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass, fields

import numpy as np
import shapely

from tests.measure.other_laying import Piece
from tests.measure.other_tables import Table
from tests.vision.exact_cover import Floats
from vision.comparing.compare import judge
from vision.finding.mat import compare_with_mat, guessed_mat_picture, mat_picture, on_mat_mask
from vision.light import linear_image, mean_light
from vision.measure import find_pieces, measure_units
from vision.outlines.sidedoubt import SideDoubt
from vision.polygons import interior_angles, outward_normals, side_distances, sides_of
from vision.units import FindingKind, Judged, MeasuredUnit, Seam, Verdict, Width

FAR_MM, FAR_RAD = 1.0, math.radians(3.0)  # a side farther off was not measured
PARALLEL_RAD = math.radians(5.0)


@dataclass(frozen=True, slots=True)
class Off:
    """One figure: how far it is off, and its stated uncertainty, both in mm or radians."""

    what: str  # "width", "offset", "angle"
    error: float
    u: float
    where: str


@dataclass(frozen=True, slots=True)
class Score:
    """Of some tables. `wrong`: measured with other sides than it has, or far off, and nothing said of it."""

    units: int = 0
    found: int = 0
    again: int = 0
    wrong: int = 0
    split: int = 0
    merged: int = 0
    invented: int = 0
    false_fits: int = 0
    false_misses: int = 0
    not_mirrored: int = 0
    seams_wrong: int = 0
    offs: tuple[Off, ...] = ()
    seams: tuple[float, ...] = ()
    unasked: tuple[str, ...] = ()  # the kinds of findings that the pieces give no reason for
    told: tuple[str, ...] = ()  # what is amiss, a line each

    def __add__(self, other: Score) -> Score:
        return Score(*(getattr(self, one.name) + getattr(other, one.name) for one in fields(Score)))

    def of(self, what: str) -> Floats:
        """(N, 2): errors and their u."""
        return np.array([(one.error, one.u) for one in self.offs if one.what == what]).reshape(-1, 2)


def measured(table: Table, picture: np.ndarray, bares: Sequence[np.ndarray]) -> tuple[Judged, ...]:
    """As photographs are checked, the table's camera being known, and all shapes that were to be cut expected."""
    camera = table.eye.pinhole()
    linear = linear_image(picture)
    if bares:
        on_mat, mat = np.ones(picture.shape[:2], bool), mat_picture(mean_light(list(bares)))
    else:
        (width, depth) = table.mat.size_mm
        on_mat = on_mat_mask(camera, np.array([[0.0, 0.0], [width, 0.0], [width, depth], [0.0, depth]]))
        mat = guessed_mat_picture(linear, on_mat, camera)
    scene = compare_with_mat(linear, mat, on_mat)
    units = measure_units(scene, camera, on_mat, pieces=find_pieces(scene, camera, on_mat))
    wanted = [piece.wanted for piece in table.pieces if piece.wanted is not None]
    return tuple(judge(unit, wanted) for unit in units)


def score(table: Table, judged: Sequence[Judged]) -> Score:
    """One table's picture."""
    outlines = [_shape(one.unit.corners_mat_mm) for one in judged]
    cloths = [_shape(piece.cloth.outline_mat_mm) for piece in table.pieces]
    total = Score()
    for outline in outlines:
        on = [_share(outline, cloth) for cloth in cloths]
        covers = [_share(cloth, outline) for cloth in cloths]
        if sum(on) < 0.5:
            total += Score(invented=1, told=(f"{table.seed}: invented at {_at(outline)}",))
        if sum(one > 0.5 for one in covers) > 1:
            total += Score(merged=1, told=(f"{table.seed}: merged at {_at(outline)}",))
    for k, (piece, cloth) in enumerate(zip(table.pieces, cloths, strict=True)):
        over = [one for one, outline in zip(judged, outlines, strict=True) if _share(cloth, outline) > 0.5]
        parts = [outline for outline in outlines if _share(outline, cloth) > 0.5]
        name = f"{table.seed}: {piece.fabric} {piece.kind} {k} {piece.wanted.name if piece.wanted else ''}"
        split = len(parts) > 1
        total += Score(units=1, split=int(split), told=(f"{name} split",) * split)
        total += _one(table, piece, over, name) if over else Score(told=(f"{name} missed",))
    return total


def _one(table: Table, piece: Piece, over: Sequence[Judged], name: str) -> Score:
    again = all(one.unit.trouble is not None for one in over)
    if piece.kind != "straight":
        right = again if piece.kind == "hanging off" else any(one.unit.curved is not None for one in over)
        return Score(found=1, wrong=int(not right), told=() if right else (f"{name} not told",))
    matched = [turned for one in over for turned in _turned(one.unit, piece)]
    if again:
        return Score(found=1, again=1, told=(f"{name} look again, {over[0].unit.trouble}",))
    if not matched:
        return Score(found=1, wrong=1, told=(f"{name} wrong, {len(over[0].unit.corners_mat_mm)} corners",))
    unit = matched[0]
    return (
        Score(found=1, offs=_offs(unit, piece, name))
        + _seams(unit, piece, name)
        + _verdict(table, over[0], piece, name)
    )


def _turned(unit: MeasuredUnit, piece: Piece) -> list[_Turned]:
    true = piece.cloth.outline_mat_mm
    if len(unit.corners_mat_mm) != len(true):
        return []
    best = min((_Turned(unit, k) for k in range(len(true))), key=lambda one: float(np.abs(one.corners - true).max()))
    a, b = sides_of(best.corners), sides_of(true)
    turns = np.arctan2(a[:, 0] * b[:, 1] - a[:, 1] * b[:, 0], np.sum(a * b, axis=1))
    near = np.abs(_offsets(best.corners, true)).max() < FAR_MM and np.abs(turns).max() < FAR_RAD
    return [best] if near else []


class _Turned:
    """A unit, its corners numbered as the truth's."""

    def __init__(self, unit: MeasuredUnit, roll: int) -> None:
        self.unit, n = unit, len(unit.corners_mat_mm)
        self.corners = np.roll(unit.corners_mat_mm, roll, axis=0)
        self.offsets_u, self.angles_u = np.roll(unit.offsets_u_mm, roll), np.roll(unit.angles_u_rad, roll)
        sides = [tuple(sorted((side + roll) % n for side in width.sides)) for width in unit.widths]
        self.widths_u = {(a, b): width.u_mm for (a, b), width in zip(sides, unit.widths, strict=True)}


def _offsets(corners: Floats, true: Floats) -> Floats:
    """How far sides pass outside of the true sides' middles."""
    middles = true + sides_of(true) / 2.0
    return np.asarray(np.sum((corners - middles) * outward_normals(corners), axis=1))


def _offs(one: _Turned, piece: Piece, name: str) -> tuple[Off, ...]:
    true = piece.cloth.outline_mat_mm
    offs = [
        Off("offset", e, u, f"{name} side {k}")
        for k, (e, u) in enumerate(zip(_offsets(one.corners, true), one.offsets_u, strict=True))
    ]
    angles = interior_angles(one.corners) - interior_angles(true)
    offs += [
        Off("angle", e, u, f"{name} corner {k}") for k, (e, u) in enumerate(zip(angles, one.angles_u, strict=True))
    ]
    for (i, j), u in one.widths_u.items():
        off = side_distances(one.corners, i, j)[0] - side_distances(true, i, j)[0]
        offs.append(Off("width", float(off), u, f"{name} sides {i} {j}"))
    return tuple(offs)


def _seams(one: _Turned, piece: Piece, name: str) -> Score:
    seam, found = piece.cloth.seam_mat_mm, one.unit.seams
    if seam is not None and piece.cloth.fabric == piece.cloth.second:
        return Score()  # a fold, no border of two fabrics: that none is found is right, and one is no error
    if len(found) != (seam is not None):
        return Score(seams_wrong=1, told=(f"{name} has {len(found)} seams for {int(seam is not None)}",))
    if seam is None:
        return Score()
    ahead = (seam[1] - seam[0]) / np.hypot(*(seam[1] - seam[0]))
    off = (found[0].ends_mat_mm - seam[0]) @ np.array([-ahead[1], ahead[0]])
    return Score(seams=tuple(float(each) for each in off))


def _verdict(table: Table, judged: Judged, piece: Piece, name: str) -> Score:
    wanted = [one.wanted for one in table.pieces if one.wanted is not None]
    true = judge(_as_if_measured(piece), wanted)
    truth, said = true.verdict, judged.verdict
    reasons = {_family(finding.kind) for finding in true.findings}
    unasked = [one for one in judged.findings if _family(one.kind) not in reasons]
    fits, misses = (
        said is Verdict.FITS and truth not in (Verdict.FITS, Verdict.CLOSE),
        said in (Verdict.SHORT, Verdict.TRIM, Verdict.OTHER, Verdict.TURNED_OVER)
        and truth in (Verdict.FITS, Verdict.CLOSE),
    )
    mirror = truth is Verdict.TURNED_OVER and said not in (Verdict.TURNED_OVER, Verdict.CLOSE)
    told = (
        f"{name} {piece.defect} is {truth.value if truth else ''}, said {said.value if said else ''}: {judged.why}",
    ) * (fits or misses or mirror)
    told += tuple(f"{name} has no {one.kind.value} of {one.sides}: {one.value:.2f}, u {one.u:.2f}" for one in unasked)
    kinds = tuple(one.kind.value for one in unasked)
    return Score(false_fits=int(fits), false_misses=int(misses), not_mirrored=int(mirror), unasked=kinds, told=told)


def _family(kind: FindingKind) -> FindingKind:
    """Where a side lies and how it is turned explain each other."""
    return FindingKind.SIDE_OFF if kind is FindingKind.SIDE_TURNED else kind


def _as_if_measured(piece: Piece) -> MeasuredUnit:
    """The piece as an exact eye would tell it."""
    corners = piece.cloth.outline_mat_mm
    n, ahead = len(corners), sides_of(corners)
    directions = np.arctan2(ahead[:, 1], ahead[:, 0])
    pairs = [
        (i, j)
        for i in range(n)
        for j in range(i + 1, n)
        if abs(math.remainder(directions[i] - directions[j], math.pi)) < PARALLEL_RAD
    ]
    widths = tuple(Width(pair, *side_distances(corners, *pair), 1e-6) for pair in pairs)
    exact, still = np.full(n, 1e-6), np.zeros(n)
    seams = () if piece.cloth.seam_mat_mm is None else (Seam(piece.cloth.seam_mat_mm, 1e-6),)
    doubt = SideDoubt(corners, *(np.eye(2 * n) * 1e-14 for _ in range(4)))
    return MeasuredUnit(corners, exact, exact, exact / 100, still, widths, seams, bows_u_mm=exact, doubt=doubt)


def _shape(corners: Floats) -> shapely.Geometry:
    return shapely.Polygon(corners).buffer(0)


def _share(of: shapely.Geometry, by: shapely.Geometry) -> float:
    return float(shapely.area(shapely.intersection(of, by)) / max(of.area, 1e-9))


def _at(outline: shapely.Geometry) -> str:
    if outline.is_empty:
        return "nowhere"
    return f"({outline.centroid.x:.0f}, {outline.centroid.y:.0f}), {outline.area:.0f} mm2"
