"""A gauge study as a picture: every reading of every unit against the tolerance, a row a dimension."""

from __future__ import annotations

from pathlib import Path
from typing import Any

import numpy as np

from projector.gauge.study import Gauged, SelfStudy
from projector.gauge.words import conclusion, heading
from projector.light.inks import OKABE_ITO_SRGB

FORMS = ("o", "s", "^", "D", "v", "P", "X", "*")  # a form a person, so that colour alone says nothing
INKS = ("blue", "vermillion", "bluish green", "reddish purple", "orange", "sky blue")
ENDINGS = (".png", ".svg", ".pdf")


def draw_study(study: SelfStudy, path: Path) -> None:
    """Write the picture; its name's ending says which kind (`ENDINGS`)."""
    import matplotlib

    matplotlib.use("Agg")
    import matplotlib.pyplot as plt

    with matplotlib.rc_context({"font.family": "DejaVu Sans", "font.size": 8}):
        page, axes = plt.subplots(
            len(study.gauged), 1, figsize=(8.0, 1.0 + 1.3 * len(study.gauged)), sharex=True, squeeze=False
        )
        page.suptitle(f"{heading(study)}\n{conclusion(study)}", fontsize=9, x=0.01, ha="left", parse_math=False)
        for one, axis in zip(study.gauged, axes[:, 0], strict=True):
            _draw(one, study, axis)
        axes[-1, 0].set_xlabel("unit")
        if study.people > 1:
            axes[0, 0].legend(ncols=study.people, fontsize=7, loc="upper right")
        page.tight_layout(rect=(0, 0, 1, 0.98))
        page.savefig(path, dpi=130)
        plt.close(page)


def _draw(one: Gauged, study: SelfStudy, axis: Any) -> None:
    off = one.readings - one.dimension.planned
    axis.axhspan(-one.dimension.limit, one.dimension.limit, color="0.93", zorder=0)
    for side in (-1.0, 1.0):
        axis.axhline(side * one.dimension.limit, color="0.35", lw=0.8, ls="--")
    for person in range(study.people):
        ink = np.array(OKABE_ITO_SRGB[INKS[person % len(INKS)]]) / 255.0
        for turn in range(study.rounds):
            places = np.arange(len(study.numbers)) + 0.12 * (person - (study.people - 1) / 2.0)
            label = f"person {person + 1}" if turn == 0 else None
            form = FORMS[person % len(FORMS)]
            axis.plot(places, off[:, person, turn], form, ms=4, mfc="none", color=ink, label=label)
    axis.set_xticks(np.arange(len(study.numbers)), [str(number) for number in study.numbers])
    axis.set_ylabel("deg off" if one.dimension.unit == "deg" else "mm off")
    percent = f"{one.percent_of_tolerance:.1f} % of the tolerance (grey)"
    axis.set_title(f"{one.dimension.name}: {percent}", loc="left", fontsize=8, parse_math=False)
