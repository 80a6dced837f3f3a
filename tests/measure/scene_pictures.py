"""Pictures of every kind of scene as it looks on the mat: `python -m tests.measure.scene_pictures FOLDER [--all]`.

The scenes are drawn by the renderer that draws them for the projector, with a picture as its target; then the light is
laid on a drawn mat with drawn cloth, in a room of a tenth of the projector's light. README's pictures are made so.
"""

from __future__ import annotations

import argparse
from pathlib import Path

import cv2
import numpy as np
import shapely
from numpy.typing import NDArray

from calibration.light import linear_from_srgb
from projector.guide.scene.scenes import Fill, Stroke, Words
from projector.light.linecolour import suited_palette
from projector.light.render import draw
from tests.projector.guide.legible import text_box
from tests.projector.guide.onstage import OnStage, every_scene
from vision.light import srgb_from_linear

Floats = NDArray[np.float64]

SIZE_PX, PX_PER_MM = (1280, 853), 1.4
MARGIN_MM = 20.0
ROOM = 0.1  # light of the room over the projector's white
EXPOSED = 6.0  # an eye that is used to the dim light; what is brighter than white paper in the room's light is white
MAT, LINES = (0.045, 0.095, 0.07), (0.16, 0.24, 0.2)  # linear red, green, blue shares of light
GRID_MM = 25.4
CLOTHS = {"light": ((0.78, 0.74, 0.62), (0.55, 0.66, 0.74)), "dark": ((0.03, 0.045, 0.16), (0.16, 0.02, 0.04))}
README = {  # which scenes README shows, and on what cloth
    "longer list": "light",
    "truing cut": "dark",
    "fits": "light",
    "trim": "dark",
    "next strip": "light",
    "seam check": "dark",
    "trim to shape": "light",
    "sewn unit done": "dark",
    "whole block": "light",
    "pile": "dark",
    "help": "light",
}


def px_from_mat(points_mat_mm: Floats) -> Floats:
    """The mat from straight above."""
    return points_mat_mm * [PX_PER_MM, -PX_PER_MM] + [-0.5, SIZE_PX[1] - 0.5]


def looked_at(shown: OnStage, colours: tuple[tuple[float, ...], ...]) -> NDArray[np.uint8]:
    """A scene's light on the mat and on what lies there, the upper half of each cloth in a second fabric."""
    palette = suited_palette(np.array([MAT, *colours]), ROOM)
    light = linear_from_srgb(draw(shown.scene, px_from_mat, SIZE_PX, palette)[..., ::-1] / 255.0)
    seen = _surface(shown, colours) * (light + ROOM) * EXPOSED / (1.0 + ROOM)
    picture = np.rint(255 * srgb_from_linear(np.clip(seen, 0.0, 1.0)))[..., ::-1].astype(np.uint8)
    return picture[_part(shown)]


def _part(shown: OnStage) -> tuple[slice, slice]:
    """Rows and columns around all that is there, so that the picture can be read when it is small."""
    marks = [text_box(mark) if isinstance(mark, Words) else _outline(mark) for mark in shown.scene.marks]
    left, low, right, high = shapely.union_all([*marks, *map(shapely.Polygon, shown.cloths)]).buffer(MARGIN_MM).bounds
    (x0, y0), (x1, y1) = np.rint(px_from_mat(np.array([[left, high], [right, low]]))).astype(int).clip(0).tolist()
    return slice(y0, y1), slice(x0, x1)


def _outline(mark: Stroke | Fill) -> shapely.Geometry:
    return shapely.LineString(mark.points_mat_mm if isinstance(mark, Stroke) else mark.corners_mat_mm)


def _surface(shown: OnStage, colours: tuple[tuple[float, ...], ...]) -> Floats:
    surface = np.empty((SIZE_PX[1], SIZE_PX[0], 3))
    surface[:] = MAT
    for at in np.arange(0.0, SIZE_PX[0] / PX_PER_MM, GRID_MM):
        column, row = round(at * PX_PER_MM), SIZE_PX[1] - 1 - round(at * PX_PER_MM)
        surface[:, column : column + 1] = LINES
        surface[max(row, 0) : max(row + 1, 0)] = LINES
    for outline in shown.cloths:
        middle = (outline[:2].mean(axis=0), outline[2:4].mean(axis=0))
        _fill(surface, outline, colours[0])
        upper = [(outline[0] + outline[3]) / 2, (outline[1] + outline[2]) / 2, outline[2], outline[3]]
        if len(outline) == 4 and middle:
            _fill(surface, np.array(upper), colours[1])
    return surface


def _fill(surface: Floats, outline: Floats, colour: tuple[float, ...]) -> None:
    points = np.rint(px_from_mat(outline) * 16).astype(np.int32)
    mask = np.zeros(surface.shape[:2], np.uint8)
    cv2.fillPoly(mask, [points], 255, cv2.LINE_AA, 4)
    share = mask[..., None] / 255.0
    surface[:] = surface * (1.0 - share) + np.array(colour) * share


def main() -> None:
    """Write the pictures."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("folder", type=Path)
    parser.add_argument("--all", action="store_true", help="every scene on light and on dark cloth")
    args = parser.parse_args()
    args.folder.mkdir(parents=True, exist_ok=True)
    for shown in every_scene():
        wanted = list(CLOTHS) if args.all else [README[shown.name]] if shown.name in README else []
        for cloth in wanted:
            name = f"{shown.name.replace(' ', '_')}{f'_{cloth}' if args.all else ''}"
            picture = looked_at(shown, CLOTHS[cloth])
            cv2.imwrite(str(args.folder / f"{name}.jpg"), picture, [cv2.IMWRITE_JPEG_QUALITY, 82])


if __name__ == "__main__":
    main()
