"""What a block of the library is made from: a recipe, its parameters as a person writes them, and their values."""

from __future__ import annotations

import difflib
import json
import math
import re
from collections.abc import Callable, Mapping
from dataclasses import dataclass
from fractions import Fraction
from typing import Literal

from projector.piecing.lengths import LengthError, angle_rad, length_mm, length_source
from projector.piecing.patchwork.patches import Block

Kind = Literal["length", "count", "angle", "choice", "share"]

LEAST_FINISH_MM, MOST_FINISH_MM = 1.0, 10_000.0
_LONGEST_TEXT = 60
_SHARE = re.compile(r"(?P<over>\d{1,9})\s*/\s*(?P<under>\d{1,9})|(?P<percent>\d{1,9}(?:\.\d{0,9})?)\s*%")
_LIKE = {
    "length": 'a length like "1 1/2 in" or a share of the finished size like "15 %"',
    "count": "a whole number",
    "angle": 'an angle like "45 deg"',
    "share": 'a share like "15 %" or "1/7"',
}


class BlockError(Exception):
    """A block cannot be made; the message says in one line which parameter, its value, and what would be right."""


@dataclass(frozen=True, slots=True)
class Parameter:
    """One choice that a recipe leaves: how it is written, what it is unless it is said, and between which bounds.

    A length may also be a share of the finished size. `choices` are the words of a choice; of a length, a word that
    may stand in its place (the recipe then finds it). `least` and `most` are in mm, pieces, radians or shares; a
    length's bounds hold for the share of the finished size that it is.
    """

    name: str
    kind: Kind
    default: str
    about: str
    least: float = 0.0
    most: float = math.inf
    choices: tuple[str, ...] = ()


@dataclass(frozen=True, slots=True)
class Values:
    """The parameters of one block, read; `texts` are as they were written or stand by default."""

    recipe: str
    texts: Mapping[str, str]
    read: Mapping[str, float | str]

    def number(self, name: str) -> float:
        """Millimetres, radians or a share."""
        value = self.read[name]
        assert not isinstance(value, str)
        return value

    def count(self, name: str) -> int:
        return int(self.number(name))

    def word(self, name: str) -> str:
        return str(self.read[name])

    def length_or_none(self, name: str) -> float | None:
        """Millimetres; None where a word stands in the length's place."""
        return None if isinstance(self.read[name], str) else self.number(name)

    def wrong(self, name: str, why: str) -> BlockError:
        """The error of a value that does not go with the others; `why` goes on from "it"."""
        return _wrong(self.recipe, name, self.texts[name], why)


@dataclass(frozen=True, slots=True)
class Recipe:
    """How a block is made: `make` gets its finished size in mm (`finish` says of what) and its values."""

    name: str
    about: str
    parameters: tuple[Parameter, ...]
    make: Callable[[float, Values], Block]
    finish: str = "side of the square"


def values_of(recipe: Recipe, finish_mm: float, given: Mapping[str, str]) -> Values:
    """Read what is given and fill in what is not. Raises BlockError."""
    known = {parameter.name: parameter for parameter in recipe.parameters}
    for name in given:
        if name not in known:
            meant = near_to(name, known) if known else "it has none"
            raise BlockError(f"{recipe.name}: {quoted(name)} is no parameter of it; {meant}")
    if not LEAST_FINISH_MM <= finish_mm <= MOST_FINISH_MM:  # also NaN
        raise BlockError(f"{recipe.name}: a finished size of {finish_mm:g} mm; it must be 1 mm to 10 m")
    texts = {name: given.get(name, parameter.default) for name, parameter in known.items()}
    read = {name: _read(recipe.name, known[name], text, finish_mm) for name, text in texts.items()}
    return Values(recipe.name, texts, read)


def near_to(name: str, known: Mapping[str, object]) -> str:
    """What may have been meant by a name that is not known."""
    near = difflib.get_close_matches(name[:_LONGEST_TEXT], known, 1)
    return f'did you mean "{near[0]}"?' if near else f"known are {', '.join(known)}"


def _read(recipe: str, parameter: Parameter, text: str, finish_mm: float) -> float | str:
    word = " ".join(text.split())
    if word in parameter.choices:
        return word
    if parameter.kind == "choice":
        near = difflib.get_close_matches(word[:_LONGEST_TEXT], parameter.choices, 1)
        meant = f'did you mean "{near[0]}"?' if near else f"it must be {' or '.join(parameter.choices)}"
        raise BlockError(f"{recipe}: {parameter.name} = {quoted(text)} is no choice; {meant}")
    try:
        value = _number(parameter.kind, word, finish_mm)
    except (LengthError, ValueError):
        also = "".join(f' or "{choice}"' for choice in parameter.choices)
        raise _wrong(recipe, parameter.name, text, f"must be {_LIKE[parameter.kind]}{also}") from None
    unit = finish_mm if parameter.kind == "length" else 1.0
    slack = 1e-9 * unit
    if not parameter.least * unit - slack <= value <= parameter.most * unit + slack:
        raise _wrong(recipe, parameter.name, text, f"must be {_bounds(parameter, finish_mm)}")
    return value


def _number(kind: Kind, word: str, finish_mm: float) -> float:
    """Raises LengthError or ValueError."""
    if kind == "count":
        if not (word.isascii() and word.isdecimal() and len(word) < 10):
            raise ValueError(word)
        return int(word)
    if kind == "angle":
        return angle_rad(word)
    share = _SHARE.fullmatch(word)
    if share is None:
        if kind == "share":
            raise ValueError(word)
        return length_mm(word)
    if share["percent"]:
        part = Fraction(share["percent"]) / 100
    else:
        part = Fraction(int(share["over"]), int(share["under"]) or 1)
    return float(part * Fraction(finish_mm)) if kind == "length" else float(part)


def taken(parameter: Parameter) -> str:
    """Which values a parameter takes, as a person writes them."""
    words = " or ".join(parameter.choices)
    if parameter.kind == "choice":
        return words
    least, most = (_bound(parameter.kind, value) for value in (parameter.least, parameter.most))
    bounds = f"at least {least}" if math.isinf(parameter.most) else f"{least} to {most}"
    if parameter.kind == "length":
        bounds = "a length" if math.isinf(parameter.most) else f"a length, {bounds} of the finished size"
    return f"{words}, or {bounds}" if words else bounds


def _bound(kind: Kind, value: float) -> str:
    if kind == "count":
        return f"{value:.0f}"
    return f"{math.degrees(value):g} deg" if kind == "angle" else f"{100.0 * value:g} %"


def _bounds(parameter: Parameter, finish_mm: float) -> str:
    """What is taken, and of a length also what that is at a finished size."""
    if parameter.kind != "length" or math.isinf(parameter.most):
        return taken(parameter)
    return f"{taken(parameter)} ({at_least(parameter.least * finish_mm)} to {at_most(parameter.most * finish_mm)})"


def at_least(value_mm: float) -> str:
    """A length for a message that may be written as it stands: an exact fraction of an inch, else mm rounded up.

    >>> at_least(25.4), at_least(32.5411)
    ('1 in', '32.55 mm')
    """
    return _short(value_mm, math.ceil)


def at_most(value_mm: float) -> str:
    """As `at_least`, rounded down."""
    return _short(value_mm, math.floor)


def _short(value_mm: float, whole: Callable[[float], int]) -> str:
    source = length_source(round(value_mm, 9))
    return source if source.endswith("in") else f"{whole(round(value_mm * 100.0, 6)) / 100.0:g} mm"


def quoted(text: str) -> str:
    line = json.dumps(" ".join(text.split()), ensure_ascii=False)
    return line if len(line) <= _LONGEST_TEXT else line[: _LONGEST_TEXT - 1] + "…"


def _wrong(recipe: str, name: str, text: str, why: str) -> BlockError:
    return BlockError(f"{recipe}: {name} = {quoted(text)} does not fit; it {why}")
