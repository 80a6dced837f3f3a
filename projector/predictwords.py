"""A prediction in lines for a person."""

from __future__ import annotations

from typing import Any

from projector.piecing.foresight.advice import SAID_MM, closing_words, shift_words, size_words
from projector.piecing.foresight.foretelling import Prediction

MOST_TOLD = 3  # circles, and who brings the spread


def prediction_words(told: Prediction, metric: bool) -> list[str]:
    """The prediction in lines for a person."""
    lines = [f"block, {size_words(size, metric)}" for size in _telling(told)]
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


def _telling(told: Prediction) -> list[Any]:
    """Sizes that say something else than those before them."""
    kept: list[Any] = []
    for size in told.sizes:
        same = [
            one
            for one in kept
            if abs(one.planned_mm - size.planned_mm) < 1e-6 and abs(one.expected_mm - size.expected_mm) < 0.02
        ]
        if not same:
            kept.append(size)
    return kept
