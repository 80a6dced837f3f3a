"""Drawings of one's own block on disk: the module that reads them."""

from __future__ import annotations

from pathlib import Path

from projector.piecing.drawing.drawn import Drawing, DrawingError
from projector.piecing.drawing.patchlist import drawing_from_toml
from projector.piecing.drawing.svgcheck import MOST_BYTES
from projector.piecing.drawing.svgreading import drawing_from_svg

DRAWINGS = (".svg", ".toml")
_LONGEST_NAME = 40


def is_drawing(name: str) -> bool:
    """Whether a word names a drawing rather than a block of the library."""
    return name.lower().endswith(DRAWINGS)


def load_drawing(path: Path) -> Drawing:
    """Read a drawing or a list of patches; its ending says which. Raises DrawingError, PlanError."""
    file = _printable(path.name)
    try:
        with path.open("rb") as opened:
            data = opened.read(MOST_BYTES + 1)
    except (OSError, ValueError) as error:
        why = getattr(error, "strerror", None) or "no such name"
        raise DrawingError(
            f"{path}: cannot be read ({why}); give a drawing (SVG) or a list of patches (TOML)"
        ) from None
    stem = _printable(path.stem)[:_LONGEST_NAME].strip() or "own block"
    if path.suffix.lower() == ".svg":
        return drawing_from_svg(data, file, stem)
    try:
        text = data.decode("utf-8-sig")
    except UnicodeDecodeError:
        raise DrawingError(f"{file}: not a text in UTF-8; give a list of patches (TOML)") from None
    return drawing_from_toml(text, file, stem)


def _printable(text: str) -> str:
    return "".join(letter if letter.isprintable() else "?" for letter in text)
