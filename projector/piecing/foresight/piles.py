"""What a pile of measured units says of its kind, and sewn ones of the seams."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from projector.piecing.foresight.forecast import SeamErrors, SideErrors

Floats = NDArray[np.float64]

FEWEST = 3  # units that tell a spread; fewer have the plan's tolerance for one


@dataclass(frozen=True, eq=False, slots=True)
class Pile:
    """Measured units of one kind: offsets of their sides outward (n, N), their uncertainties, and their angles."""

    name: str
    offsets_mm: Floats
    u_mm: Floats
    angles_rad: Floats  # (n, N)

    def __len__(self) -> int:
        return len(self.offsets_mm)


def with_unit(
    piles: Sequence[Pile], name: str, offsets_mm: Floats, u_mm: Floats, angles_rad: Floats
) -> tuple[Pile, ...]:
    """The same piles with one more unit, on its kind's pile or on one of its own; each of its figures is (N,)."""
    rows = offsets_mm[None], u_mm[None], angles_rad[None]
    for i, pile in enumerate(piles):
        if pile.name == name:
            columns = zip((pile.offsets_mm, pile.u_mm, pile.angles_rad), rows, strict=True)
            grown = Pile(name, *(np.concatenate(column) for column in columns))
            return (*piles[:i], grown, *piles[i + 1 :])
    return (*piles, Pile(name, *rows))


def side_errors(pile: Pile, spread_mm: float) -> SideErrors:
    """Mean, spread from unit to unit and the mean's doubt; of fewer than `FEWEST` units the spread is taken as given.

    The measurement's own uncertainty is inside the spread that is seen, and also, as what all units of one rig share,
    in the mean's doubt: that is on the safe side.
    """
    n, sides = pile.offsets_mm.shape
    mean = pile.offsets_mm.mean(axis=0)
    covariance = np.cov(pile.offsets_mm.T).reshape(sides, sides) if n >= FEWEST else np.eye(sides) * spread_mm**2
    shared = np.diag(np.median(pile.u_mm, axis=0) ** 2)
    return SideErrors(mean, covariance, covariance / n + shared)


def seam_errors(heights: Sequence[tuple[float, int, float]]) -> SeamErrors | None:
    """From sewn segments: (how much higher than planned over their strips, their number of seams, u), mm.

    Each seam takes its depth from two strips, so a segment of n seams is 2 n depths lower (common practice: the seam
    test). The strips themselves are taken as cut exactly. None where nothing sewn was measured.
    """
    told = [(-off / (2.0 * seams), u / (2.0 * seams)) for off, seams, u in heights if seams]
    if not told:
        return None
    depths = np.array([depth for depth, _ in told])
    u = float(np.median([one for _, one in told]))
    sd = float(depths.std(ddof=1)) if len(depths) >= FEWEST else 0.0
    return SeamErrors(float(depths.mean()), sd, float(np.hypot(sd / np.sqrt(len(depths)), u)))
