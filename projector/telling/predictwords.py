"""A prediction in lines for a person."""

from __future__ import annotations

from collections.abc import Sequence

from projector.piecing.foresight.advice import SAID_MM, closing_words, shift_words, size_words
from projector.piecing.foresight.forecast import Size
from projector.piecing.foresight.foretelling import Prediction

MOST_TOLD = 3  # circles, and who brings the spread


def prediction_words(told: Prediction, metric: bool) -> list[str]:
    """The prediction in lines for a person."""
    corners = len({corner for size in told.sizes for corner in size.corners})
    lines = [f"block, {_which(same, corners)}, {size_words(same[0], metric)}" for same in _alike(told)]
    widest = max(told.sizes, key=lambda size: size.sd_mm)
    brings = ", ".join(f"{name} {100 * share:.0f} %" for name, share in widest.shares[:MOST_TOLD] if share > 0.005)
    if brings:
        lines.append(f"the spread comes from {brings}")
    if told.seam is None:
        lines.append("no sewn segment was measured: seams are taken to be as planned")
    else:
        way = "deeper" if told.seam.mean_mm > 0 else "less deep"
        off = (
            f"{abs(told.seam.mean_mm):.2f} mm {way} than planned" if abs(told.seam.mean_mm) >= SAID_MM else "as planned"
        )
        lines.append(f"seams are {off}, ± {told.seam.u_mean_mm:.2f} mm")
    lines += [closing_words(one) for one in told.closings[:MOST_TOLD]]
    if told.shift_mm:
        lines.append(shift_words(told.shift_mm, metric))
    for name, which in told.leave_out.items():
        lines.append(f"leave out of {name}: number {', '.join(map(str, which))} (counted as measured)")
    return lines


def _which(same: Sequence[Size], corners: int) -> str:
    """Sides of the block, or ways across it, by their corners."""
    one, other = same[0].corners
    beside = (one - other) % corners in (1, corners - 1)
    if beside and len(same) == corners:
        return "every side"
    pairs = " and ".join(f"{one}-{other}" for one, other in (size.corners for size in same[:MOST_TOLD]))
    return f"{'side' if beside else 'across'} {pairs}{' and others' if len(same) > MOST_TOLD else ''}"


def _alike(told: Prediction) -> list[list[Size]]:
    """Sizes that say the same, together."""
    groups: list[list[Size]] = []
    for size in told.sizes:
        same = (
            group
            for group in groups
            if abs(group[0].planned_mm - size.planned_mm) < 1e-6 and abs(group[0].expected_mm - size.expected_mm) < 0.02
        )
        if (group := next(same, None)) is not None:
            group.append(size)
        else:
            groups.append([size])
    return groups
