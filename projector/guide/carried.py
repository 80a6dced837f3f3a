"""What one chapter leaves to those after it."""

from __future__ import annotations

from dataclasses import dataclass

from projector.guide.blade import NEW_HAND, Blade
from projector.guide.sitting import USUAL, Sitting
from projector.guide.state import Kept
from projector.guide.steps import StripRecord
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
    latest last. `strips` were cut from yardage, in order. `sitting` is the same in all of them: every chapter's scenes
    are laid out for it. `blade` is what was learned of the hand that cuts.
    """

    made: tuple[int, ...] = ()
    strips: tuple[StripWidth, ...] = ()
    sitting: Sitting = USUAL
    kept: tuple[Kept, ...] = ()
    blade: Blade = NEW_HAND


def width_of(record: StripRecord) -> StripWidth:
    """What is carried on of a strip that was kept."""
    strip, is_short = record.judged.strip, record.judged.verdict is Verdict.SHORT
    count = 0 if is_short else record.at_once
    return StripWidth(record.strip_name, record.band, record.fabric, strip.width_mm, strip.width_u_mm, count)
