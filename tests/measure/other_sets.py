"""How the eye does at tables that nobody here has seen: other cameras, mats, lights, cloth, drawn by seed.

    python -m tests.measure.other_sets [--tables N] [--seed S] [--most-px W] [--bare WHICH] [--keep FOLDER]

Each table is a camera of its own (`other_tables.py`), drawn with exact truth (`other_light.py`) and measured as
photographs are checked, with its true camera. Printed by condition, each over the tables that have it: units, found,
look again, wrong (other sides than it has, or far off, and nothing said), split, merged, invented; widths' bias, RMS
and worst in mm; mean (error/u)² of widths, offsets and angles; "fits" that does not fit, refused though it fits,
mirror images not told, wrong counts of seams, seams' RMS in mm. Then the findings that the pieces give no reason for,
by kind, all that is amiss, and the worst (error/u).
A table's own conditions hang together by chance: few tables tell little of one of them.
"""

from __future__ import annotations

import argparse
import math
import sys
import time
import traceback
from collections import Counter
from dataclasses import replace
from pathlib import Path

import cv2
import numpy as np

from tests.measure.other_score import Score, measured, score
from tests.measure.other_tables import Table, table
from tests.vision.exact_cover import Floats, Picture

HEAD = "condition,tables,units,found,again,wrong,split,merged,invented,widths,bias,RMS,worst,(e/u)² w,offsets,angles,"
HEAD += "false fits,refused,not mirrored,seams,seams RMS"
WORST = 25


def main() -> int:
    reader = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    reader.add_argument("--tables", type=int, default=12)
    reader.add_argument("--seed", type=int, nargs="*", default=[1], help="the first; or all of them")
    reader.add_argument("--most-px", type=int, help="no camera of more pixels across")
    reader.add_argument(
        "--bare", choices=["drawn", "always", "never"], default="drawn", help="pictures of the bare mat"
    )
    reader.add_argument("--keep", type=Path, help="a folder in which drawn pictures are kept, for the next time")
    told = reader.parse_args()
    seeds = told.seed if len(told.seed) > 1 else range(told.seed[0], told.seed[0] + told.tables)
    scores = dict[Table, Score]()
    for seed in seeds:
        one = table(seed, told.most_px)
        if told.bare != "drawn":
            one = replace(one, bares=max(one.bares, 2) if told.bare == "always" else 0)
        scores[one] = scored(one, told.keep)
    names = sorted({name for one in scores for name in one.conditions})
    rows = [row("all", list(scores.values()))]
    rows += [row(name, [each for one, each in scores.items() if name in one.conditions]) for name in names]
    write([HEAD.split(","), *rows])
    whole = sum(scores.values(), Score())
    kinds = Counter(whole.unasked)
    print(f"\nfindings without a reason, of {whole.found} pieces:", ", ".join(f"{k} {n}" for k, n in kinds.items()))
    print("\n" + "\n".join(whole.told))
    print("\nworst error/u:")
    offs = sorted(whole.offs, key=lambda off: -abs(off.error) / off.u)
    for off in offs[:WORST]:
        scale = math.degrees(1.0) if off.what == "angle" else 1.0
        print(f"{off.error / off.u:+7.1f}  {off.what} {scale * off.error:+.3f}, u {scale * off.u:.3f}  {off.where}")
    return 0


def scored(one: Table, keep: Path | None = None) -> Score:
    """One table drawn, measured and scored; an exception is told, no end."""
    picture, bares = drawn(one, keep)
    start = time.process_time()
    try:
        result = score(one, measured(one, picture, bares))
    except Exception:  # what breaks is what is sought
        why = traceback.format_exc(limit=-2)
        result = Score(units=len(one.pieces), told=(f"{one.seed}: raised {why}",))
    widths = result.of("width")
    print(
        f"{one.seed}: {result.found} of {result.units}, {result.again} again, {result.wrong} wrong, "
        f"{result.invented} invented, RMS {rms(widths[:, 0]):.3f}, (e/u)² {honesty(widths):.1f}, "
        f"{time.process_time() - start:.1f} s: {', '.join(one.conditions)}",
        file=sys.stderr,
        flush=True,
    )
    return result


def drawn(one: Table, keep: Path | None) -> tuple[Picture, list[Picture]]:
    """The picture, and those of the bare mat, from the folder if they are there."""
    if keep is None:
        return one.picture(), one.bare_pictures()
    keep.mkdir(parents=True, exist_ok=True)
    names = [keep / f"{one.seed}-{one.eye.size_px[0]}.png"]
    names += [keep / f"{one.seed}-{one.eye.size_px[0]}-bare-{k}.png" for k in range(one.bares)]
    if not all(name.exists() for name in names):
        for name, pixels in zip(names, [one.picture(), *one.bare_pictures()], strict=True):
            cv2.imwrite(str(name), pixels)
    pictures = [np.asarray(cv2.imread(str(name)), np.uint8) for name in names]
    return pictures[0], pictures[1:]


def row(name: str, scores: list[Score]) -> list[str]:
    one = sum(scores, Score())
    widths, offsets, angles = (one.of(what) for what in ("width", "offset", "angle"))
    counts = (len(scores), one.units, one.found, one.again, one.wrong, one.split, one.merged, one.invented, len(widths))
    errors = (
        np.mean(widths[:, 0]) if len(widths) else math.nan,
        rms(widths[:, 0]),
        np.abs(widths[:, 0]).max(initial=0.0),
    )
    verdicts = (one.false_fits, one.false_misses, one.not_mirrored, one.seams_wrong)
    return [
        name,
        *map(str, counts),
        *(f"{error:.3f}" for error in errors),
        *(f"{honesty(each):.2f}" for each in (widths, offsets, angles)),
        *map(str, verdicts),
        f"{rms(np.array(one.seams)):.3f}",
    ]


def rms(values: Floats) -> float:
    return float(np.sqrt(np.mean(values**2))) if len(values) else math.nan


def honesty(offs: Floats) -> float:
    """Mean (error/u)² of (N, 2)."""
    return float(np.mean((offs[:, 0] / offs[:, 1]) ** 2)) if len(offs) else math.nan


def write(rows: list[list[str]]) -> None:
    wide = [max(len(each[k]) for each in rows) for k in range(len(rows[0]))]
    for first, *rest in rows:
        print(first.ljust(wide[0]), *(cell.rjust(w) for cell, w in zip(rest, wide[1:], strict=True)))


if __name__ == "__main__":
    sys.exit(main())
