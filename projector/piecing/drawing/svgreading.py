"""An SVG drawing as patches: filled shapes with straight sides, circles laid over, or the faces between mere lines.

The drawing is read with svgelements, transforms and the page's own scale applied; places are then turned upward.
"""

from __future__ import annotations

import io
import math
from collections.abc import Iterator
from dataclasses import dataclass, field
from typing import Any

import numpy as np
from svgelements import SVG, Close, Line, Move, Path, Shape, Text  # type: ignore[import-untyped]

from projector.piecing.drawing.drawn import MOST_CORNERS, MOST_PATCHES, Drawing, DrawingError
from projector.piecing.drawing.faces import faces_of
from projector.piecing.drawing.svgcheck import look_through
from projector.piecing.plans import OwnDisc, OwnPatch, Place

PX_MM = 25.4 / 96.0  # CSS: 96 px are one inch
_LABELS = ("class", "{http://www.inkscape.org/namespaces/inkscape}label", "aria-label")
_LONGEST_NAME = 40
_SAME_PX = 1e-6
_ROUND = 1e-4  # of the radius: what a circle may be off round
_CURVES = {"CubicBezier": "a curve", "QuadraticBezier": "a curve", "Arc": "an arc"}


def drawing_from_svg(data: bytes, file: str, stem: str) -> Drawing:
    """Read a drawing from a file's bytes; `file` begins the messages, `stem` names the block.

    Raises
    ------
    DrawingError
        Not SVG, more than a block has, curves, no closed shapes.
    """
    look_through(data, file)
    try:
        root = SVG.parse(io.BytesIO(data), reify=True, on_error="raise")
        elements = list(root.elements()) if isinstance(root, SVG) else []
    except (ArithmeticError, AttributeError, LookupError, RecursionError, SyntaxError, TypeError, ValueError) as error:
        why = " ".join(str(error).split())[:60] or type(error).__name__
        raise DrawingError(f"{file}: a shape in it cannot be read ({why}); save it as a plain SVG") from None
    found = _Found(file)
    for element in elements:
        if isinstance(element, Text):
            found.word(element)
        elif isinstance(element, Shape):
            found.shape(element)
    return found.drawing(stem)


@dataclass(slots=True)
class _Found:
    file: str
    patches: list[OwnPatch] = field(default_factory=list)
    discs: list[OwnDisc] = field(default_factory=list)
    lines: list[tuple[Place, ...]] = field(default_factory=list)
    words: list[tuple[str, Place]] = field(default_factory=list)
    colours: dict[str, str] = field(default_factory=dict)  # the name that a colour was first written by
    count: int = 0

    def word(self, text: Any) -> None:
        place = (
            text.x * text.transform.a + text.y * text.transform.c + text.transform.e,
            (text.x * text.transform.b + text.y * text.transform.d + text.transform.f),
        )
        if text.text and _short(text.text):
            self.words.append((_short(text.text), _up(*place)))

    def shape(self, shape: Any) -> None:
        """Take up one shape: as patches, as a disc, or as lines."""
        self.count += 1
        values = shape.values
        if str(values.get("visibility")) in ("hidden", "collapse"):
            return
        kind = str(values.get("tag", "shape"))
        name = _short(str(values.get("attributes", {}).get("id", ""))) or f"{kind} {self.count}"
        filled, seen = _filled(shape), shape.stroke is not None and shape.stroke.value is not None
        if not (filled or seen):
            return
        path = Path(shape)
        path.reify()
        curve = next((one for one in path if type(one).__name__ in _CURVES), None)
        if curve is not None:
            circle = _circle(path)
            if circle is None or kind not in ("circle", "ellipse") or not filled:
                what = "a circle without fill" if circle and kind == "circle" else _CURVES[type(curve).__name__]
                do = "fill a circle to lay it over, and draw all else with straight lines"
                raise self._wrong(name, curve.start, f"has {what}, and seams are straight,", do)
            middle, radius = circle
            self.discs.append(OwnDisc(self._fabric(shape), middle, radius))
            return
        for corners, closed in _outlines(path):
            if not all(math.isfinite(value) for corner in corners for value in corner):
                raise DrawingError(f'{self.file}: "{name}" has a corner that is no place; draw it anew')
            if filled and len(corners) > 2:
                self._patch(name, self._fabric(shape), corners)
            elif len(corners) > 1:
                self.lines.append((*corners, corners[0]) if closed else corners)

    def drawing(self, stem: str) -> Drawing:
        left_out: tuple[str, ...] = ()
        patches = tuple(self.patches)
        if patches and self.lines:
            left_out = (f"{len(self.lines)} lines without fill are left out; patches are the filled shapes",)
        elif self.lines:
            patches = faces_of(self.lines, self.words, self.file)
        return Drawing(self.file, stem, patches, tuple(self.discs), y_down=True, left_out=left_out)

    def _patch(self, name: str, fabric: str, corners: tuple[Place, ...]) -> None:
        if len(corners) > MOST_CORNERS:
            do = f"at most {MOST_CORNERS} are taken"
            raise DrawingError(f'{self.file}: "{name}" has {len(corners)} corners; {do}, so draw it as several patches')
        if len(self.patches) == MOST_PATCHES:
            raise DrawingError(f"{self.file}: more than {MOST_PATCHES} patches; draw one block by itself")
        self.patches.append(OwnPatch(fabric, corners, name))

    def _fabric(self, shape: Any) -> str:
        """By the shape's class, else its label, else its colour."""
        own = shape.values.get("attributes", {})
        for key in _LABELS:
            if _short(str(own.get(key, ""))):
                return _short(str(own[key]))
        written = str(shape.values.get("fill", ""))
        if written.startswith("url("):
            return _short(written[4:].strip("#'\") ")) or "pattern"
        return self.colours.setdefault(shape.fill.hex, written if written.isalpha() else shape.fill.hex)

    def _wrong(self, name: str, point: Any, what: str, do: str) -> DrawingError:
        at = Drawing(self.file, "", (), y_down=True).place(_up(point.x, point.y))
        return DrawingError(f'{self.file}: "{name}" {what} at {at}; {do}')


def _filled(shape: Any) -> bool:
    if str(shape.values.get("tag")) == "line":
        return False
    if str(shape.values.get("fill", "")).startswith("url("):
        return True
    transparent = str(shape.values.get("fill-opacity", "")).strip() in ("0", "0.0", "0%")
    return shape.fill is not None and shape.fill.value is not None and shape.fill.alpha > 0 and not transparent


def _outlines(path: Any) -> Iterator[tuple[tuple[Place, ...], bool]]:
    """The parts of a path of straight lines: corners without repeats, and whether it is closed."""
    corners: list[Place] = []
    for segment in path:
        if isinstance(segment, Move):
            if corners:
                yield _once(corners, False)
            corners = [_up(segment.end.x, segment.end.y)]
        elif isinstance(segment, Close):
            if corners:
                yield _once(corners, True)
            corners = [_up(segment.end.x, segment.end.y)] if segment.end is not None else []
        elif isinstance(segment, Line):
            corners.append(_up(segment.end.x, segment.end.y))
    if len(corners) > 1:
        yield _once(corners, False)


def _once(corners: list[Place], closed: bool) -> tuple[tuple[Place, ...], bool]:
    kept = [corners[0]]
    for corner in corners[1:]:
        if math.dist(corner, kept[-1]) > _SAME_PX:
            kept.append(corner)
    if len(kept) > 2 and math.dist(kept[0], kept[-1]) <= _SAME_PX:
        return tuple(kept[:-1]), True
    return tuple(kept), closed


def _circle(path: Any) -> tuple[Place, float] | None:
    """Centre and radius of a path that is a full circle."""
    points = np.array([_up(p.x, p.y) for one in path if type(one).__name__ == "Arc" for p in map(one.point, _QUARTERS)])
    if len(points) < 2 * len(_QUARTERS):
        return None
    middle = (points.max(axis=0) + points.min(axis=0)) / 2.0
    radii = np.hypot(*(points - middle).T)
    if not radii.min() > (1.0 - _ROUND) * radii.max() > 0.0:
        return None
    return (float(middle[0]), float(middle[1])), float(radii.mean())


_QUARTERS = (0.0, 0.25, 0.5, 0.75, 1.0)


def _up(x_px: float, y_px: float) -> Place:
    """In mm, y upward."""
    return float(x_px) * PX_MM, -float(y_px) * PX_MM


def _short(text: str) -> str:
    """One printable line of a few words."""
    line = " ".join(text.split())[:_LONGEST_NAME].strip()
    return line if line.isprintable() else ""
