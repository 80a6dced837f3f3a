"""How much larger or smaller a sheet was printed than it should have been, and how surely that is known."""

from __future__ import annotations

import math
from dataclasses import dataclass

UNREAD_U = 0.01  # printers are rarely further off, along or across
READING_U_MM = 0.2  # a bar read with an ordinary ruler
WORTH_SAYING = 0.002  # a stretch below this needs no note
FITTED = 0.01  # a page that was fitted to the printer's margins is smaller by at least this


@dataclass(frozen=True, slots=True)
class SheetScale:
    """Printed over nominal length, along the sheet (its x) and across it (y), and what is doubtful of them.

    `u_common` is relative, of every length; `u_ratio` that of along over across. A ratio that is wrong by q
    means `along_share` * q more along and (1 - `along_share`) * q less across: so split, the two doubts are
    independent of one another.
    """

    along: float
    across: float
    u_common: float
    u_ratio: float
    how: str  # what it rests on, for people
    along_share: float = 0.5

    def notes(self) -> tuple[str, ...]:
        """What a person should hear of it."""
        said = []
        if abs(self.along - 1) > WORTH_SAYING or abs(self.across - 1) > WORTH_SAYING:
            said.append(
                f"sheet: printed at {_percent(self.along)} along and {_percent(self.across)} across, by {self.how}; "
                "sizes are corrected for it"
            )
        if abs(math.sqrt(self.along * self.across) - 1) > FITTED:
            said.append("sheet: it was not printed at 100 %; look for 'fit to page' when printing the next one")
        return tuple(said)


EXACT = SheetScale(1.0, 1.0, 0.0, 0.0, "a sheet said to be exact")
UNREAD = SheetScale(1.0, 1.0, UNREAD_U, UNREAD_U, "no reading of the bars")


def from_bars(
    nominal_along_mm: float,
    nominal_across_mm: float,
    read_along_mm: float | None,
    read_across_mm: float | None,
    u_mm: float = READING_U_MM,
) -> SheetScale:
    """The sheet's scale from its two check bars and what the person's own ruler reads.

    Parameters
    ----------
    nominal_along_mm, nominal_across_mm : float
        What the bars should measure.
    read_along_mm, read_across_mm : float or None
        What they do measure; None where a bar was not read: it is then taken to be stretched like the other.
    u_mm : float
        Standard uncertainty of one reading; 0 for none.

    Raises ValueError for lengths that are not positive.

    Notes
    -----
    Readings a, b with relative variances A, B: of all splits of their doubt into one of the common size and one of
    the ratio, `along_share` = A / (A + B) leaves the two uncorrelated; then var(ratio) = A + B and
    var(common) = 1 / (1 / A + 1 / B).

    >>> scale = from_bars(200.0, 100.0, 194.0, 97.0, 0.1)
    >>> scale.along, scale.across, round(scale.u_common, 6), round(scale.u_ratio, 6), round(scale.along_share, 3)
    (0.97, 0.97, 0.000461, 0.001153, 0.2)
    """
    if min(nominal_along_mm, nominal_across_mm) <= 0 or u_mm < 0:
        raise ValueError("bars must have positive lengths and a reading an uncertainty")
    if any(read is not None and read <= 0 for read in (read_along_mm, read_across_mm)):
        raise ValueError("a bar's reading must be positive")
    along, u_along = _factor(nominal_along_mm, read_along_mm, u_mm)
    across, u_across = _factor(nominal_across_mm, read_across_mm, u_mm)
    if along is None and across is None:
        return UNREAD
    along, across = along or across or 1.0, across or along or 1.0
    both = u_along**2 + u_across**2
    u_common = u_along * u_across / math.sqrt(both) if both > 0 else 0.0
    share = u_along**2 / both if both > 0 else 0.5
    return SheetScale(along, across, u_common, math.sqrt(both), _how(read_along_mm, read_across_mm, u_mm), share)


def _factor(nominal_mm: float, read_mm: float | None, u_mm: float) -> tuple[float | None, float]:
    """Printed over nominal, and its relative uncertainty."""
    return (None, UNREAD_U) if read_mm is None else (read_mm / nominal_mm, u_mm / read_mm)


def _how(read_along_mm: float | None, read_across_mm: float | None, u_mm: float) -> str:
    which = "both bars" if read_along_mm and read_across_mm else "one bar"
    return f"your reading of {which}, each to {u_mm:g} mm"


def _percent(factor: float) -> str:
    return f"{100 * factor:.1f} %"
