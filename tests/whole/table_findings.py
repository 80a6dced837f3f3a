"""Which deliberate defects of the rendered pieces are among the findings, and which findings have no defect.

A defect counts where it is at least 0.3 mm or 0.3 degree, and five times the stated uncertainty of what it changed.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray

from tests.whole.table_truth import Pair
from vision.polygons import interior_angles, sides_of

Floats = NDArray[np.float64]

LEAST, LEAST_U = 0.3, 5.0  # mm or degrees; standard uncertainties
KINDS = {
    "edge_shift": "side_off",
    "edge_rotation": "side_turned",
    "bow": "bow",
    "fray": "fray",
    "mirror": "turned_over",
}
KINDS |= {"seam": "seam_off"}
AMOUNTS = {"edge_shift": "outward_mm", "edge_rotation": "deg_ccw", "bow": "outward_sag_mm", "seam": "left_mm"}
MIRRORED_ALIKE = frozenset({"square", "rectangle", "diamond60", "kite", "point22", "hst_square"})


@dataclass(frozen=True, slots=True)
class Defect:
    """A deliberate defect beside the finding that tells it, if one does."""

    where: str
    kind: str
    amount: float  # mm or degrees; NaN of what has none
    u: float  # stated, of what it changed
    told: float | None  # the finding's amount, NaN where it has none; None if there is no finding
    told_u: float = np.nan

    @property
    def wanted(self) -> bool:
        """Whether it must be told; where no amount or no uncertainty is known, it must."""
        return not abs(self.amount) < LEAST and not abs(self.amount) < LEAST_U * self.u


def expected_text(truth: Mapping[str, Any]) -> str:
    """What a person gives `--expect` for a piece: with its seam where the grammar has one, else a plain polygon."""
    p = truth["params"]
    if truth["shape"] == "slant45":
        lean = "right" if truth["nominal_local"][3][0] > 0 else "left"
        strip_mm, seam_mm = p["strip1_mm"] + p["strip2_mm"], p["strip1_mm"]
        return f"slant({strip_mm:.4f} mm, {p['cut_width_mm']:.4f} mm, 45 deg, {lean}, {seam_mm:.4f} mm)"
    if truth["shape"] == "hst_square":
        return f"halves({p['side_mm']:.4f} mm)"
    return f"polygon({', '.join(f'{x} mm {y} mm' for x, y in truth['nominal_local'])})"


def defects_of(pairs: Iterable[Pair]) -> tuple[list[Defect], list[str]]:
    """Every deliberate defect of the found pieces; and findings that no defect explains, a line each."""
    defects, false = list[Defect](), list[str]()
    for pair in pairs:
        event, truth = pair.measured.event, pair.truth
        wrong = event.get("expected") != expected_text(truth.told)
        where = f"{truth.frame} {truth.name} {truth.told['shape']}" + (" (taken for another)" if wrong else "")
        findings = [_as_true(one, pair) for one in event.get("findings", [])]
        defects_here = truth.told["defects"]
        for one in defects_here:
            if one["kind"] != "mirror" or truth.told["shape"] not in MIRRORED_ALIKE:
                defects.append(_beside(one, findings, pair, where))
        for finding in findings:
            if not any(_tells(finding, one) for one in defects_here):
                false.append(
                    f"{where}: {finding['kind']} of sides {finding['sides']}, {finding['value']} ± {finding['u']}"
                )
    return defects, false


def _as_true(finding: Mapping[str, Any], pair: Pair) -> Mapping[str, Any]:
    """A finding as the truth numbers and counts: a square is expected to lie in four ways, and told in any of them."""
    if finding["kind"] == KINDS["seam"]:
        return {**finding, "value": _same_way(pair) * finding["value"]}
    n = len(pair.truth.corners_mat_mm)
    return {**finding, "sides": [(side + pair.measured.roll) % n for side in finding["sides"]]}


def _same_way(pair: Pair) -> int:
    """-1 where the shape was laid half a turn round: its seam runs the other way, and its left is the true one's right.

    A shape that half a turn brings onto itself may be laid so.
    """
    ahead = sides_of(pair.truth.corners_mat_mm)
    return 1 if ahead[pair.measured.roll] @ ahead[0] > 0.0 else -1


def _tells(finding: Mapping[str, Any], defect: Mapping[str, Any]) -> bool:
    if finding["kind"] != KINDS[defect["kind"]]:
        return finding["kind"] == "notch" and defect["kind"] == "fray" and defect["edge"] in finding["sides"]
    return "edge" not in defect or defect["edge"] in finding["sides"]


def _beside(defect: Mapping[str, Any], findings: Sequence[Mapping[str, Any]], pair: Pair, where: str) -> Defect:
    amount = float(defect.get(AMOUNTS.get(defect["kind"], ""), np.nan))
    told = next((one for one in findings if _tells(one, defect)), None)
    stated_u = _stated_u(defect, pair) if told is None or told["u"] is None else told["u"]
    value, u = (None, stated_u) if told is None else _on_side(told, defect.get("edge"), stated_u)
    side = f" of side {defect['edge']}" if "edge" in defect else ""
    return Defect(where, defect["kind"] + side, amount, stated_u, value, u)


def _on_side(told: Mapping[str, Any], edge: int | None, u: float) -> tuple[float, float]:
    """A finding's amount, and its uncertainty, were the change that of this side of all that explain it.

    Only the first one's uncertainty is stated. The change being one and the same, its share of the amount is too.
    """
    if told["value"] is None:
        return np.nan, u
    if "values" not in told:
        return float(told["value"]), u
    value = float(told["values"][told["sides"].index(edge)])
    return value, u * abs(value / float(told["value"]))


def _stated_u(defect: Mapping[str, Any], pair: Pair) -> float:
    """The uncertainty that is stated of what a defect changed, though nothing was found."""
    event = pair.measured.event
    key = {"edge_shift": "sides_u_mm", "edge_rotation": "angles_u_deg", "bow": "bows_u_mm"}.get(defect["kind"])
    if defect["kind"] == "seam":
        return float(max((seam["u"] for seam in event["seams"]), default=np.nan))
    values = event.get(key) if key else None
    if not values:
        return np.nan
    u = np.roll(np.array([np.nan if one is None else one for one in values], float), pair.measured.roll)
    return _moved_u(u, pair.truth.corners_mat_mm, defect["edge"]) if key == "sides_u_mm" else float(u[defect["edge"]])


def _moved_u(lengths_u: Floats, corners: Floats, side: int) -> float:
    """Of how far a side lies from where the others want it, mm, from the uncertainty (N,) of its neighbours' lengths.

    What the best fit leaves of a move says less: a triangle of the same angles is laid so that it hardly shows.
    """
    n, angles = len(corners), interior_angles(corners)
    return float(
        min(lengths_u[side - 1] * np.sin(angles[side]), lengths_u[(side + 1) % n] * np.sin(angles[(side + 1) % n]))
    )


def report(pairs: Iterable[Pair]) -> None:
    """Print what was told of the defects, and what was told without one."""
    defects, false = defects_of(pairs)
    wanted = [one for one in defects if one.wanted]
    told = [one for one in wanted if one.told is not None]
    print(f"\ndefects of 0.3 mm or degree and 5 u at least: {len(told)} of {len(wanted)} among the findings")
    off = np.array(
        [(one.told - one.amount) / one.told_u for one in told if one.told == one.told and one.told is not None]
    )
    off = off[np.isfinite(off)]
    print(f"their amounts: mean (error/u)² {np.mean(off**2) if len(off) else np.nan:.2f} of {len(off)}")
    for one in (one for one in defects if one.told is None):
        how = "" if one.wanted else ", and need not be"
        print(f"not told{how}: {one.where}, {one.kind}, {one.amount:+.3f}, u {one.u:.3f}")
    print(f"findings without a defect: {len(false)}")
    for line in false:
        print(line)
