"""Records as rows and columns: one row for everything that was measured, one column for every figure."""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass
from datetime import datetime

from projector.records.sessions import Entry, Session

Cell = str | int | float | None
Kept = tuple[Session, Sequence[Entry]]  # a session, and those of its entries that are wanted

ABOUT = (
    *("session", "host", "started", "ended", "command", "plan", "rig"),
    *("n", "kind", "name", "verdict", "at", "undone"),
)
# Keys of events that become columns, in this order. Points on the mat are left to those who read the whole event.
FIGURES = (
    *("expected", "frame", "why", "fit_probability", "u_mm"),
    *("widths_mm", "width_mm", "width_u_mm", "sides_mm", "sides_u_mm", "angles_deg", "angles_u_deg"),
    *("offsets_mm", "offsets_u_mm", "bows_mm", "bows_u_mm", "findings", "curved", "u_parts_mm"),
    *("fabric", "strip", "band", "band_mm", "layers", "bend_deg", "bend_u_deg"),
    *("distances_mm", "distances_u_mm", "neighbours_mm", "trouble", "note"),
)
PARTS = (
    *("kind", "sides", "mean", "least", "greatest", "value", "u"),
    *("area_mm2", "area_u_mm2", "least_size_mm", "least_size_u_mm", "repeatable", "rig", "scale", "cloth"),
)
WHOLE = -1
MOST = 64  # columns of one figure: no unit has more sides


@dataclass(frozen=True, slots=True)
class Sheet:
    """Columns by name, and rows with a cell for each."""

    columns: tuple[str, ...]
    rows: tuple[tuple[Cell, ...], ...]


@dataclass(frozen=True, slots=True, order=True)
class _Column:
    """A figure, its number in a list (from 1) and its part, where there are any."""

    figure: int
    number: int = 0
    part: int = WHOLE

    @property
    def name(self) -> str:
        number = f"_{self.number}" if self.number else ""
        return f"{FIGURES[self.figure]}{number}{'' if self.part == WHOLE else f'_{PARTS[self.part]}'}"


def sheet_of(kept: Iterable[Kept]) -> Sheet:
    """A row an entry, in the order kept; the figures of a list stand side by side: `sides_mm_1`, `sides_mm_2`."""
    rows = [(_about(session, entry), dict(_figures(entry.event()))) for session, entries in kept for entry in entries]
    columns = sorted({column for _, figures in rows for column in figures})
    cells = (tuple(about.values()) + tuple(figures.get(column) for column in columns) for about, figures in rows)
    return Sheet((*ABOUT, *(column.name for column in columns)), tuple(cells))


def _about(session: Session, entry: Entry) -> dict[str, Cell]:
    """What stands before the figures, by the names of ABOUT."""
    of_session = (session.id, session.host, session.started.isoformat(), _text(session.ended), session.command)
    of_entry = (entry.n, entry.kind, entry.name, entry.verdict, entry.at.isoformat(), _text(entry.undone))
    return dict(zip(ABOUT, (*of_session, session.plan_name, session.rig, *of_entry), strict=True))


def _text(moment: datetime | None) -> str | None:
    return None if moment is None else moment.isoformat()


def _figures(event: Mapping[str, object]) -> Iterator[tuple[_Column, Cell]]:
    for figure, name in enumerate(FIGURES):
        value = event.get(name)
        for number, one in enumerate(value[:MOST], 1) if isinstance(value, list) else [(0, value)]:
            for part, single in _parts(one):
                if (cell := _cell(single)) is not None:
                    yield _Column(figure, number, part), cell


def _parts(value: object) -> Iterator[tuple[int, object]]:
    if not isinstance(value, Mapping):
        return iter([(WHOLE, value)])
    return ((part, value.get(name)) for part, name in enumerate(PARTS))


def _cell(value: object) -> Cell:
    """One value; the sides of a width or finding stand together, like "0 2". Longer lists are no cell's."""
    if isinstance(value, list) and len(value) <= MOST and all(isinstance(one, int) for one in value):
        return " ".join(map(str, value))
    return value if isinstance(value, str | int | float) else None
