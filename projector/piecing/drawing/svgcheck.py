"""Looks through a vector drawing before it is read, so that no file can make reading it long or large.

Only the XML parser of Python's own library runs here (expat, streaming): declared entities, deep nesting, copies of
copies, and more text of paths, transforms or styles than a block has are refused before anything is built from them.
"""

from __future__ import annotations

import re
from xml.parsers import expat

from projector.piecing.drawing.drawn import DrawingError

MOST_BYTES = 2_000_000
_MOST_TAGS = 5_000
_DEEPEST = 50
_MOST_NUMBERS = 24_000  # in paths and points
_LONGEST_TRANSFORM = 600  # letters, with those of all groups around
_MOST_TRANSFORM_TEXT = 600_000  # letters, those of the groups around counted again for each shape
_LONGEST_STYLES = 20_000  # letters of <style>
_MOST_STYLE_TEXT = 20_000_000  # letters, looked up again for each class of each element
_MOST_OWN_STYLE_TEXT = 2_000_000
_PLACES = ("x", "y", "x1", "y1", "x2", "y2", "cx", "cy", "r", "rx", "ry", "width", "height", "d", "points")
_NUMBER = re.compile(r"[0-9.]+")
_NO_NUMBER = re.compile(r"nan|inf", re.I)
_DO = "save the block by itself as a plain drawing"


def look_through(data: bytes, file: str) -> None:
    """Raises DrawingError where a drawing (the file's bytes) is none, or larger than a block's can be."""
    if len(data) > MOST_BYTES:
        raise DrawingError(f"{file}: larger than {MOST_BYTES // 1_000_000} MB; {_DO}")
    looking = _Looking(file)
    parser = expat.ParserCreate(namespace_separator=" ")
    parser.StartDoctypeDeclHandler = looking.doctype
    parser.EntityDeclHandler = looking.entity
    parser.StartElementHandler = looking.start
    parser.EndElementHandler = looking.end
    parser.CharacterDataHandler = looking.text
    try:
        parser.Parse(data, True)
    except expat.ExpatError as error:
        what = expat.errors.messages.get(error.code, "damaged")
        raise DrawingError(f"{file}, line {error.lineno}: not XML ({what}); give a drawing (SVG)") from None
    except (LookupError, ValueError):  # an encoding that nobody knows
        raise DrawingError(f"{file}: its letters cannot be read; save it in UTF-8") from None


class _Looking:
    def __init__(self, file: str) -> None:
        self.file = file
        self.tags = self.numbers = self.transform_text = self.own_style_text = self.style_text = self.looked_up = 0
        self.transforms = [0]  # letters of the transforms around, tag by tag
        self.in_style = 0

    def doctype(self, _name: str, _system: str | None, _public: str | None, has_own: int) -> None:
        if has_own:
            self.entity()

    def entity(self, *_: object) -> None:
        raise DrawingError(f"{self.file}: declares entities, which no drawing of a block needs; {_DO}")

    def start(self, tag: str, attributes: dict[str, str]) -> None:
        name = tag.rpartition(" ")[2]
        if not self.tags and name != "svg":
            raise DrawingError(f"{self.file}: begins with <{name[:20]}>, not <svg>; give a drawing (SVG)")
        self.tags += 1
        around = self.transforms[-1] + len(attributes.get("transform", ""))
        self.transforms.append(around)
        self.in_style += name == "style"
        self.numbers += sum(1 for key in ("d", "points") for _ in _NUMBER.finditer(attributes.get(key, "")))
        self.transform_text += around
        self.own_style_text += len(attributes.get("style", ""))
        self.looked_up += (1 + attributes.get("class", "").count(" ")) * self.style_text
        if name == "use":
            raise DrawingError(f"{self.file}: holds copies (<use>), which are not read; make each a shape of its own")
        if len(self.transforms) > _DEEPEST:
            raise DrawingError(f"{self.file}: more than {_DEEPEST} groups within each other; ungroup the shapes")
        if self.tags > _MOST_TAGS:
            raise DrawingError(f"{self.file}: more than {_MOST_TAGS} shapes; {_DO}, of at most 2000 patches")
        if self.numbers > _MOST_NUMBERS:
            raise DrawingError(f"{self.file}: more corners than a block has; {_DO}, of at most 2000 patches")
        if around > _LONGEST_TRANSFORM or self.transform_text > _MOST_TRANSFORM_TEXT:
            raise DrawingError(f"{self.file}: transforms too long for a block; {_DO}")
        if self.looked_up > _MOST_STYLE_TEXT or self.own_style_text > _MOST_OWN_STYLE_TEXT:
            raise DrawingError(f"{self.file}: styles too long for a block; {_DO}")
        for key in _PLACES:
            if _NO_NUMBER.search(attributes.get(key, "")):
                value = attributes[key][:40]
                raise DrawingError(f'{self.file}: <{name}> has {key} = "{value}", which is no number; correct it there')

    def end(self, tag: str) -> None:
        self.transforms.pop()
        self.in_style -= tag.rpartition(" ")[2] == "style"

    def text(self, text: str) -> None:
        self.style_text += len(text) if self.in_style else 0
        if self.style_text > _LONGEST_STYLES:
            raise DrawingError(f"{self.file}: styles too long for a block; {_DO}")
