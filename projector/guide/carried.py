"""What one chapter leaves to those after it."""

from __future__ import annotations

import math
from dataclasses import dataclass, replace

import numpy as np

from projector.guide.setcheck.state import StripsFrom
from projector.guide.sitting import USUAL, Sitting
from projector.guide.steps import Record, Records, StripRecord
from projector.guide.units.blade import NEW_HAND, Blade
from projector.guide.units.state import Kept
from projector.piecing.foresight.piles import Pile, with_unit
from projector.piecing.foresight.seamtest import Length, SeamTest
from projector.piecing.plans import Strip
from vision.units import Verdict


@dataclass(frozen=True, slots=True)
class StripWidth:
    """A strip as it was measured before sewing, `count` of the plan's at once, and where in the plan it belongs.

    It counts if it was not too narrow.
    """

    strip: str  # name in the plan
    band: int  # from the lower edge up
    fabric: str
    width_mm: float
    u_mm: float
    count: int = 1


@dataclass(frozen=True, eq=False, slots=True)
class Carried:
    """What is taken from one chapter to the next, and out of the journal when a plan is gone on with.

    `made` counts the units of each kind of the plan that count; `kept`, where it is known, are their judgements, the
    latest last. `strips` were cut from yardage, in order. `told_strips` are the widths that the person told of the
    first strip set's strips before they were sewn, from the lower edge up; `seam` is what its seams take. `units` were
    judged in this sitting, those `before` it are piles already, and `blocks` counts those that were measured. `sitting`
    is the same in all of them: every chapter's scenes are laid out for it. `blade` is what was learned of the hand that
    cuts.
    """

    made: tuple[int, ...] = ()
    strips: tuple[StripWidth, ...] = ()
    told_strips: tuple[Length, ...] = ()
    seam: SeamTest | None = None
    units: tuple[Record, ...] = ()
    before: tuple[Pile, ...] = ()
    blocks: int = 0
    sitting: Sitting = USUAL
    kept: tuple[Kept, ...] = ()
    blade: Blade = NEW_HAND

    def with_records(self, records: Records, undone: tuple[int, ...] = ()) -> Carried:
        """The same with what was judged meanwhile, without the latest units that were taken back."""
        kept = enumerate(reversed(self.units), 1)
        units = tuple(record for place, record in kept if place not in undone)[::-1]
        return replace(self, units=units + tuple(record for record in records if isinstance(record, Record)))

    @property
    def piles(self) -> tuple[Pile, ...]:
        """The units by kind, for a forecast; what does not count says nothing of the block."""
        piles = self.before
        for record in self.units:
            judged = record.judged
            if record.counts and judged.offsets_mm is not None and judged.offsets_u_mm is not None:
                figures = judged.offsets_mm, judged.offsets_u_mm, judged.unit.angles_rad
                piles = with_unit(piles, record.unit_name, *figures)
        return piles


def widths_before(carried: Carried, source: Strip) -> tuple[tuple[Length, ...], StripsFrom]:
    """How wide a strip set's strips were before they were sewn: as told, as measured in the mean, or as planned (none).

    Of several that were cut for one band it is not known which was sewn: their spread is in the uncertainty.
    """
    if carried.told_strips:
        return carried.told_strips, "typed"
    found = []
    for band in range(len(source.bands_mm)):
        cut = [one for one in carried.strips if (one.strip, one.band) == (source.name, band) and one.count]
        if not cut:
            return (), "plan"
        widths = np.array([one.width_mm for one in cut])
        spread = float(widths.std(ddof=1)) if len(widths) > 1 else 0.0
        found.append(Length(float(widths.mean()), math.hypot(spread, max(one.u_mm for one in cut))))
    return tuple(found), "measured"


def width_of(record: StripRecord) -> StripWidth:
    """What is carried on of a strip that was kept."""
    strip, is_short = record.judged.strip, record.judged.verdict is Verdict.SHORT
    count = 0 if is_short else record.at_once
    return StripWidth(record.strip_name, record.band, record.fabric, strip.width_mm, strip.width_u_mm, count)
