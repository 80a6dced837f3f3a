"""Widths of cloth at virtual tables, in the lamp's light with the room's in it and without.

    python -m tests.measure.lamp [--seeds 1 2 3] [--mat dark] [--fabrics cream red navy white]

The camera and the lens of the projector are exact (the virtual table's own numbers), so that what is left is the
edges'. Twelve squares of 50 to 80 mm a table, four pictures of each light averaged; mm.
"""

from __future__ import annotations

import argparse
from dataclasses import replace

import numpy as np
from numpy.typing import NDArray

from calibration.pinhole import Lens, Pinhole
from projector.rehearsal.bench import Lying
from projector.rehearsal.camera.exposure import Film
from projector.rehearsal.camera.view import View, props_of
from projector.rehearsal.optics import Optics
from projector.rehearsal.quirks import MatQuirks, Quirks
from projector.rehearsal.setting import Setting, setting_of
from projector.rehearsal.things.cloth import ClothToLay, Piece, Pose, strip
from vision.finding.mat import MatPicture, compare_with_mat, mat_picture, on_mat_mask
from vision.lamplight.lamp import LampShadow
from vision.light import mean_light
from vision.measure import Cloth, measure_units
from vision.polygons import side_distances
from vision.units import MeasuredUnit

Floats = NDArray[np.float64]
Floats32 = NDArray[np.float32]

EMPTY, FRAMES = 16, 4
DOUBT = 0.15  # of the shadow's reach: the cloth's height is 0.4 mm, u 0.06
WAYS = ("lamp on", "lamp on, its place known", "on minus off", "on minus off, its place known")


def main() -> None:
    reader = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    reader.add_argument("--seeds", type=int, nargs="*", default=[1, 2, 3])
    reader.add_argument("--mat", default="dark")
    reader.add_argument("--fabrics", nargs="*", default=["cream", "red", "navy", "white"])
    told = reader.parse_args()
    rows: dict[str, list[tuple[float, float]]] = {way: [] for way in WAYS}
    for seed in told.seeds:
        for way, errors in errors_at(seed, told.mat, told.fabrics).items():
            rows[way].extend(errors)
    print("way\twidths\tmean\tSD\tworst\tmedian u\tmean (error/u)²")
    for way, errors in rows.items():
        off, u = np.array(errors).T
        figures = off.mean(), off.std(), np.abs(off).max(), np.median(u), np.mean((off / u) ** 2)
        print(
            "\t".join([way, str(len(off)), *(f"{one:+.4f}" for one in figures[:1]), *(f"{x:.4f}" for x in figures[1:])])
        )


def errors_at(seed: int, mat: str, fabrics: list[str]) -> dict[str, list[tuple[float, float]]]:
    """Errors of widths and their stated uncertainties at one table."""
    setting = setting_of(seed, quirks=Quirks(mat=MatQuirks(look=mat)))
    rng = np.random.default_rng(seed)
    view = View(setting, props_of(setting, None, np.random.default_rng([seed, 3]), np.random.default_rng([seed, 6])))
    film = Film(setting.sensor, setting.camera.size_px, np.random.default_rng([seed, 4]))
    pieces = tuple(laid_piece(fabrics[k % len(fabrics)], k, rng) for k in range(12))
    lit, dark = (np.full((*setting.projector.size_px[::-1], 3), level, np.uint8) for level in (255, 0))

    def light(pieces: tuple[Piece, ...], picture: NDArray[np.uint8], frames: int) -> Floats32:
        developed = film.develop(view.linear(Lying(pieces), picture))
        return mean_light([film.expose(developed) for _ in range(frames)])

    on, off = (light((), picture, EMPTY) for picture in (lit, dark))
    on_cloth, off_cloth = (light(pieces, picture, FRAMES) for picture in (lit, dark))
    lamp = LampShadow(setting.projector.at_mm, 1.0, DOUBT)
    part = replace(lamp, share=float(1.0 - np.median(off[::8, ::8]) / np.median(on[::8, ::8])))
    pictures = ((on_cloth, on, None), (on_cloth, on, part), (on_cloth - off_cloth, on - off, None))
    pictures = (*pictures, (on_cloth - off_cloth, on - off, lamp))
    return {
        way: _errors(setting, seen, mat_picture(bare), known, pieces)
        for way, (seen, bare, known) in zip(WAYS, pictures, strict=True)
    }


def _errors(
    setting: Setting, seen: Floats32, mat: MatPicture, lamp: LampShadow | None, pieces: tuple[Piece, ...]
) -> list[tuple[float, float]]:
    camera, area = pinhole(setting.camera), np.array([[20.0, 20.0], [890.0, 20.0], [890.0, 590.0], [20.0, 590.0]])
    on_mat = on_mat_mask(camera, area)
    units = measure_units(compare_with_mat(seen, mat, on_mat, lamp=lamp), camera, on_mat, Cloth())
    return [pair for piece in pieces for unit in units for pair in _of_piece(piece, unit)]


def _of_piece(piece: Piece, unit: MeasuredUnit) -> list[tuple[float, float]]:
    """Of the unit that is this piece: errors of its widths, and their uncertainties."""
    true = piece.corners_mat_mm
    if unit.trouble or len(unit.corners_mat_mm) != 4:
        return []
    rolled = min(
        (np.roll(unit.corners_mat_mm, k, axis=0) for k in range(4)), key=lambda c: float(np.abs(c - true).max())
    )
    if np.abs(rolled - true).max() > 3.0:
        return []
    u_mm = [width.u_mm for width in sorted(unit.widths, key=lambda width: width.sides)]
    pairs = ((0, 2), (1, 3))
    off = [side_distances(rolled, i, j)[0] - side_distances(true, i, j)[0] for i, j in pairs]
    return list(zip(off, [float(np.mean(u_mm))] * 2, strict=True))


def laid_piece(fabric: str, k: int, rng: np.random.Generator) -> Piece:
    """A rectangle of 40 to 96 mm, the k-th of twelve about the mat."""
    """A rectangle of 50 to 80 mm, the k-th of twelve about the mat."""
    side = rng.uniform(50.0, 80.0)
    piece = strip(ClothToLay(fabric, side, side * rng.uniform(0.8, 1.2), (), (fabric,)))
    place = np.array([60.0 + 205.0 * (k % 4), 60.0 + 180.0 * (k // 4)]) + rng.uniform(30.0, 60.0, 2)
    return piece.moved(Pose(float(place[0]), float(place[1]), float(rng.uniform(-0.6, 0.6))))


def pinhole(optics: Optics) -> Pinhole:
    """The same lens in the words of calibration."""
    lens = Lens(optics.size_px, optics.focal_px, optics.centre_px, optics.brown)
    return Pinhole(lens, optics.axes, -optics.axes @ optics.at_mm)


if __name__ == "__main__":
    main()
