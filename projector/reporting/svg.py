"""Pictures as SVG: what is put in is escaped by the XML library, and every picture says in words what it shows."""

from __future__ import annotations

import re
from collections.abc import Iterable
from xml.etree import ElementTree

Element = ElementTree.Element
NOT_XML = re.compile("[^\t\n\r\u0020-\ud7ff\ue000-\ufffd\U00010000-\U0010ffff]")  # XML 1.0, production 2

# Okabe and Ito, "Color Universal Design", 2008; form and words say the same again.
INK, GREY, PALE = "#1d1d1b", "#6b6b67", "#d9d9d4"
BLUE, SKY, GREEN = "#0072b2", "#56b4e9", "#009e73"
ORANGE, VERMILLION, PURPLE, YELLOW = "#e69f00", "#d55e00", "#cc79a7", "#f0e442"


def element(tag: str, *inside: Element | str, **attributes: object) -> Element:
    """An element; `_` in an attribute's name is a hyphen, numbers are rounded to hundredths."""
    made = Element(tag, {name.strip("_").replace("_", "-"): _text(value) for name, value in attributes.items()})
    for one in inside:
        if isinstance(one, str):
            made.text = (made.text or "") + NOT_XML.sub("\ufffd", one)
        else:
            made.append(one)
    return made


def picture(width: float, height: float, says: str, inside: Iterable[Element], kind: str = "") -> str:
    """A whole picture, `says` being its words for who does not see it."""
    attributes = {
        "viewBox": f"0 0 {_text(width)} {_text(height)}",
        "role": "img",
        "aria-label": NOT_XML.sub("\ufffd", says),
    }
    whole = Element("svg", attributes | {"xmlns": "http://www.w3.org/2000/svg", "class": kind})
    whole.append(element("title", says))
    whole.extend(inside)
    return ElementTree.tostring(whole, encoding="unicode")


def line(x1: float, y1: float, x2: float, y2: float, stroke: str = INK, width: float = 1.0, dash: str = "") -> Element:
    dashes = {"stroke_dasharray": dash} if dash else {}
    return element("line", x1=x1, y1=y1, x2=x2, y2=y2, stroke=stroke, stroke_width=width, **dashes)


def rectangle(x: float, y: float, width: float, height: float, fill: str, opacity: float = 1.0) -> Element:
    return element("rect", x=x, y=y, width=max(width, 0.0), height=max(height, 0.0), fill=fill, fill_opacity=opacity)


def words(x: float, y: float, text: str, anchor: str = "start", size: float = 11.0, fill: str = INK) -> Element:
    return element("text", text, x=x, y=y, text_anchor=anchor, font_size=size, fill=fill)


def path(points: Iterable[tuple[float, float]], closed: bool = False, **attributes: object) -> Element:
    """Straight lines from point to point."""
    told = " L".join(f"{_text(x)} {_text(y)}" for x, y in points)
    return element("path", d=f"M{told}{' Z' if closed else ''}", **({"fill": "none", "stroke": INK} | attributes))


def dot(x: float, y: float, radius: float = 2.4) -> Element:
    """Inside its limits."""
    return element("circle", cx=x, cy=y, r=radius, fill=BLUE)


def triangle(x: float, y: float, upward: bool, size: float = 5.0) -> Element:
    """Out of its limits, and which way."""
    tip = -size if upward else size
    return path([(x, y + tip), (x - size, y - 0.6 * tip), (x + size, y - 0.6 * tip)], True, fill=VERMILLION, stroke=INK)


def ring(x: float, y: float, size: float = 5.5) -> Element:
    """Where a run rule is met: a square about the point."""
    square = [(x - size, y - size), (x + size, y - size), (x + size, y + size), (x - size, y + size)]
    return path(square, True, stroke=PURPLE, stroke_width=1.8)


def _text(value: object) -> str:
    if isinstance(value, float | int):
        return f"{round(value, 2) + 0.0:g}" if abs(value) < 1e4 else f"{value:.0f}"
    return NOT_XML.sub("\ufffd", str(value))
