"""How a fabric looks in a drawing: a tint and a pattern, so that fabrics stay apart also without colour."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any

EDGE = "#222222"

# Tints after Okabe and Ito's set (Color Universal Design, 2008), made lighter so that words beside them can be read.
# Neighbours are also told apart by how light they are, and by their patterns.
_LIGHT = ("#f7f2e4", "#dcebf5", "#f2e3ee", "#eeeeee")
_DARK = ("#56769a", "#6d6875", "#7a5c61")
_OTHER = ("#e9b44c", "#8fbf9f", "#c9637a", "#b9d7ea", "#d9a5c3", "#9c8f5d", "#a9bcd0")
_PATTERNS = ("", "////", "....", "\\\\\\\\", "xxxx", "----", "++", "oo", "||||", "**")
_LIGHT_WORDS, _DARK_WORDS = ("light", "ground", "white", "cream", "pale"), ("dark", "black", "navy", "deep")


@dataclass(frozen=True, slots=True)
class Swatch:
    """Fill and hatch of a fabric, by the names that matplotlib gives patterns."""

    tint: str
    pattern: str

    def look(self) -> dict[str, Any]:
        """What matplotlib's patches take."""
        return {"facecolor": self.tint, "hatch": self.pattern, "edgecolor": EDGE, "linewidth": 0.8}


def swatches(fabrics: Sequence[str]) -> dict[str, Swatch]:
    """One swatch a fabric, in the order in which the fabrics first come."""
    found: dict[str, Swatch] = {}
    for number, name in enumerate(dict.fromkeys(fabrics)):
        tints = _tints_for(name)
        same = sum(_tints_for(other) is tints for other in found)
        pattern = _PATTERNS[(number + number // len(_PATTERNS)) % len(_PATTERNS)]
        found[name] = Swatch(tints[same % len(tints)], pattern)
    return found


def _tints_for(name: str) -> tuple[str, ...]:
    """Light cloth is drawn light and dark cloth dark, as far as its name tells."""
    words = name.lower().split()
    if any(word in words for word in _LIGHT_WORDS):
        return _LIGHT
    return _DARK if any(word in words for word in _DARK_WORDS) else _OTHER
