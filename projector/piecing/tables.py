"""One table of a TOML file, read key by key; a mistake is told in one line with its place and its value."""

from __future__ import annotations

import difflib
import json
import re
import tomllib
from collections.abc import Callable
from dataclasses import dataclass
from typing import Any

from projector.piecing.lengths import LengthError, angle_rad, coordinate_mm, length_mm

MOST_ROWS = 1_000  # of strips, of units
MOST_UNITS = 10_000  # of one kind
MOST_BYTES = 1_000_000
MOST_PLACES = 5_000  # of one unit: its seams, its dots
_MOST_IN_A_ROW = 100  # of a strip set: seams, fabrics
_LONGEST_NAME = 80
_LONGEST_LINE = 5_000
_MOST_DOTS = 20  # outside quotes; keys like a.a.a... take the TOML reader seconds

_QUOTED_OR_COMMENT = re.compile(r"""\"[^"]*\"|'[^']*'|#.*""")


class PlanError(Exception):
    """A plan file cannot be used; the message says in one line which key and what would be right."""


@dataclass(frozen=True, slots=True)
class Table:
    """One table of the file, and where it stands, for the messages."""

    where: str
    rows: dict[str, Any]
    keys: frozenset[str]

    def __post_init__(self) -> None:
        for key in self.rows:
            if key not in self.keys:
                near = difflib.get_close_matches(key[:_LONGEST_NAME], self.keys, 1)
                meant = f'did you mean "{near[0]}"?' if near else f"known are {', '.join(sorted(self.keys))}"
                raise PlanError(f"{self.where}{shown(key)[1:-1]}: no such key; {meant}")

    def wrong(self, key: str, why: str) -> PlanError:
        return PlanError(f"{self.where}{key} = {shown(self.rows.get(key))}: does not fit; it {why}")

    def needs(self, key: str, like: str) -> None:
        if key not in self.rows:
            raise PlanError(f"{self.where}{key} is missing; write {key} = {like}")

    def text(self, key: str, default: str | None = None) -> str:
        if default is None:
            self.needs(key, '"a name"')
        value = self.rows.get(key, default)
        if not isinstance(value, str) or not value.strip():
            raise self.wrong(key, "must be text in quotes")
        if len(value) > _LONGEST_NAME or not value.isprintable():
            raise self.wrong(key, f"must be one line of at most {_LONGEST_NAME} letters")
        return value

    def length(self, key: str, default_mm: float | None = None, above_zero: bool = True) -> float:
        return self._quantity(key, default_mm, length_mm, '"4 1/2 in"', above_zero)

    def angle(self, key: str, default_rad: float | None = None) -> float:
        return self._quantity(key, default_rad, angle_rad, '"45 deg"', True)

    def _quantity(
        self, key: str, default: float | None, read: Callable[[str], float], like: str, above_zero: bool
    ) -> float:
        if key not in self.rows and default is not None:
            return default
        self.needs(key, like)
        return self._read(key, self.rows[key], read, like, above_zero)

    def _read(self, key: str, value: object, read: Callable[[str], float], like: str, above_zero: bool) -> float:
        if not isinstance(value, str):
            raise self.wrong(key, f"must be text in quotes with its unit, like {like}")
        try:
            number = read(value)
        except LengthError as error:
            raise PlanError(f"{self.where}{key} = {error}") from None
        if above_zero and number == 0.0:
            raise self.wrong(key, f"must be greater than 0, like {like}")
        return number

    def whole(self, key: str, default: int | None = None) -> int:
        if default is None:
            self.needs(key, "12")
        value = self.rows.get(key, default)
        if type(value) is not int or not 1 <= value <= MOST_UNITS:
            raise self.wrong(key, f"must be a whole number from 1 to {MOST_UNITS}")
        return value

    def choice(self, key: str, default: str) -> str:
        value = self.rows.get(key, default)
        if value not in ("left", "right"):
            raise self.wrong(key, 'must be "left" or "right"')
        return str(value)

    def row(self, key: str, most: int = _MOST_IN_A_ROW) -> list[object]:
        value = self.rows.get(key, [])
        if not isinstance(value, list) or len(value) > most:
            raise self.wrong(key, f'must be a row of at most {most} texts, like ["1 3/4 in"]')
        return value

    def lengths(self, key: str) -> tuple[float, ...]:
        return tuple(self._read(key, value, length_mm, '["1 3/4 in"]', True) for value in self.row(key))

    def coordinates(self, key: str) -> tuple[float, ...]:
        """Lengths that may be negative."""
        return tuple(self._read(key, value, coordinate_mm, '["-1 3/4 in"]', False) for value in self.row(key))

    def names(self, key: str) -> tuple[str, ...]:
        return tuple(Table(f"{self.where}", {key: value}, frozenset({key})).text(key) for value in self.row(key))

    def tables(self, key: str, keys: frozenset[str], most: int = MOST_ROWS) -> list[Table]:
        value = self.rows.get(key, [])
        if not isinstance(value, list) or not all(isinstance(row, dict) for row in value):
            raise self.wrong(key, f"must be tables, each begun by a line [[{key}]]")
        if len(value) > most:
            raise PlanError(f"{self.where}{key}: {len(value)} of them are too many; at most {most} are taken")
        return [Table(f"{self.where}{key}[{n}].", row, keys) for n, row in enumerate(value, 1)]


def rows_of(text: str, file: str, kind: str, has: str) -> dict[str, Any]:
    """The rows of a TOML file; `kind` of file it should be, and what such a file `has`. Raises PlanError."""
    if len(text) > MOST_BYTES:
        raise PlanError(f"{file}: larger than {MOST_BYTES // 1_000_000} MB; give a {kind} file (TOML)")
    for number, line in enumerate(text.splitlines(), 1):
        if len(line) > _LONGEST_LINE:
            raise PlanError(f"{file}, line {number}: longer than {_LONGEST_LINE} letters; give a {kind} file (TOML)")
        if line.count(".") > _MOST_DOTS and _QUOTED_OR_COMMENT.sub("", line).count(".") > _MOST_DOTS:
            raise PlanError(f"{file}, line {number}: nested too deep; {has}")
    try:
        return tomllib.loads(text)
    except RecursionError:
        raise PlanError(f"{file}: nested too deep; {has}") from None
    except tomllib.TOMLDecodeError as error:
        raise PlanError(f"{file}: not TOML: {' '.join(str(error).split())}; correct it there") from None
    except ValueError:  # Python reads no integer of more than 4300 digits
        raise PlanError(f"{file}: a number in it is too long to be read; shorten it") from None


def quoted(text: str) -> str:
    """A TOML basic string; JSON's escapes are a part of TOML's."""
    return json.dumps(text, ensure_ascii=False).replace("\x7f", "\\u007f")


def shown(value: object) -> str:
    """A value as the file has it, short enough for one line."""
    text = json.dumps(value, ensure_ascii=False, default=str) if isinstance(value, str) else repr(value)
    if isinstance(value, (list, dict)):
        text = f"{type(value).__name__} of {len(value)}"
    return text if len(text) <= 60 else text[:59] + "…"
