"""What a seam test says to the person: how deep the seams are, what that does to the block, what to do about it."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np

from projector.piecing.foresight.advice import SAID_MM, SURE
from projector.piecing.foresight.forecast import Size
from projector.piecing.foresight.seamtest import SeamTest
from projector.piecing.lengths import difference_text, inches_text, mm_text, size_beside

THREAD_MM = 25.4 / 64  # of quilting cotton: about 60 to the inch (common practice, no source)


def is_off(test: SeamTest) -> bool:
    """Whether the seams are surely deeper or less deep than planned, by more than is worth a word."""
    return abs(test.deeper_mm) >= max(SURE * test.depth.u_mm, SAID_MM)


def seam_words(test: SeamTest, metric: bool = False) -> tuple[str, str]:
    """What was found, and how sure it is."""
    said = f"seams are {_off(test.deeper_mm, 'wide', 'narrow', metric)}" if is_off(test) else "seams are as planned"
    if metric:
        taken, planned = mm_text(test.depth.mm, 2), mm_text(test.planned_mm, 2)
    else:
        taken, planned = size_beside(test.depth.mm, test.planned_mm), inches_text(test.planned_mm, 64)
    return said, f"{taken} each, {planned} planned, give or take {mm_text(SURE * test.depth.u_mm, 2)}"


def block_words(sizes: Sequence[Size], metric: bool = False) -> str:
    """What the block will measure: the one of these sizes that is most off; nothing without any."""
    if not sizes:
        return ""
    worst = max(sizes, key=lambda size: abs(size.expected_mm - size.planned_mm))
    planned = mm_text(worst.planned_mm) if metric else inches_text(worst.planned_mm, 64)
    if abs(worst.expected_mm - worst.planned_mm) < SAID_MM:
        return f"the block will finish at {planned}"
    finishes = mm_text(worst.expected_mm) if metric else size_beside(worst.expected_mm, worst.planned_mm)
    return f"the block will finish at {finishes}, not {planned}"


def sewing_words(test: SeamTest) -> str:
    """How to sew the next ones; nothing where they will do. A needle is moved by threads, not by numbers."""
    if not is_off(test):
        return ""
    threads = round(abs(test.deeper_mm) / THREAD_MM)
    amount = ("a hair", "a thread")[threads] if threads < 2 else f"{threads} threads"
    return f"sew {amount} {'narrower' if test.deeper_mm > 0 else 'wider'}"


def odd_seam_words(test: SeamTest, metric: bool = False) -> str:
    """Which seam is surely unlike the others of its set, if one is; of two nobody can say which."""
    if len(test.each) < 3:
        return ""
    depths = np.array([seam.mm for seam in test.each])
    off = depths - np.median(depths)
    worst = int(np.argmax(np.abs(off)))
    u_mm = test.each[worst].u_mm
    if abs(off[worst]) < max(SURE * u_mm * (1.0 + 1.0 / (len(depths) - 1)) ** 0.5, SAID_MM):
        return ""
    amount = _off(float(off[worst]), "wider", "narrower", metric)
    return f"seam {worst + 1} from the lower edge is {amount} than the others"


def _off(difference_mm: float, over: str, under: str, metric: bool) -> str:
    if metric:
        return f"{mm_text(abs(difference_mm), 2)} {over if difference_mm > 0 else under}"
    return difference_text(difference_mm, over, under)
