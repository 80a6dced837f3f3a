"""Strips and finished blocks of the rendered frames beside the truth: ends, long sides, seams, points."""

from __future__ import annotations

import math
from collections.abc import Iterable, Mapping
from typing import Any

import numpy as np
from numpy.typing import NDArray

from tests.whole.table_truth import moved

Floats = NDArray[np.float64]
Told = Mapping[str, Any]


def strip_figures(truth: Told, event: Told, to_mat: Floats) -> dict[str, tuple[float, float]]:
    """Worst error and the u stated with it: long sides, seam (ends from the true line, mm), width, ends' angles."""
    lines = {"long side": [truth["lower_edge_mat"], truth["upper_edge_mat"]], "seam": [truth["seam_mat"]]}
    got = {"long side": ("long_sides_mat_mm", "long_sides_u_mm"), "seam": ("seams_mat_mm", "seams_u_mm")}
    figures = dict[str, tuple[float, float]]()
    for what, true in lines.items():
        measured = moved(np.array(event[got[what][0]], float).reshape(-1, 2, 2), to_mat)
        offs = [
            min((_off(np.array(line), one), u) for one, u in zip(measured, event[got[what][1]], strict=True))
            for line in true
            if len(measured)
        ]
        figures[what] = max(offs, default=(math.nan, math.nan))
    if event.get("width_mm") is not None:
        figures["width"] = (event["width_mm"] - truth["width_mm"], event.get("width_u_mm") or math.nan)
    for name, true_deg in (("right_end_mat", truth["end_angle_deg"]), ("left_end_mat", 90.0)):
        middle = np.array(truth[name]).mean(axis=0)
        ends = [
            (float(np.hypot(*(moved(np.array(end["line_mat_mm"]), to_mat).mean(axis=0) - middle))), end)
            for end in event["ends"]
        ]
        near = [end for away, end in ends if away < 20.0]
        figures[f"angle of the {name[:-8]} end"] = (
            (near[0]["angle_deg"] - true_deg, near[0]["u_deg"]) if near else (math.nan,) * 2
        )
    return figures


def block_figures(truth: Told, event: Told, to_mat: Floats) -> dict[str, tuple[float, float]]:
    """RMS and worst, mm, of the tips' and the corners' places and of the distances of opposite tips."""
    figures = dict[str, tuple[float, float]]()
    for what, key, true in (("tips", "tips_mat_mm", "tips_mat"), ("corners", "corners_mat_mm", "block_corners_mat")):
        measured = moved(np.array(event[key], float).reshape(-1, 2), to_mat)
        if len(measured) == 0:
            continue
        off = np.array([np.min(np.hypot(*(measured - place).T)) for place in np.array(truth[true])])
        figures[what] = (float(np.sqrt(np.mean(off**2))), float(off.max()))
    true_mm, got = np.array(truth["opposite_tip_mm"]), np.array(event["distances_mm"], float)
    if len(got) == len(true_mm):
        tips = moved(np.array(event["tips_mat_mm"], float), to_mat)
        first = int(np.argmin(np.hypot(*(np.array(truth["tips_mat"]) - tips[0]).T))) % len(true_mm)
        off = got - np.roll(true_mm, -first)
        figures["distances"] = (float(np.sqrt(np.mean(off**2))), float(np.abs(off).max()))
    return figures


def _off(line: Floats, measured: Floats) -> float:
    """The greater distance of a measured line's ends from a true line."""
    along = (line[1] - line[0]) / np.hypot(*(line[1] - line[0]))
    return float(np.max(np.abs((measured - line[0]) @ np.array([along[1], -along[0]]))))


def report(frames: Iterable[Mapping[str, Any]], events: Iterable[Mapping[str, Any]], to_mat: Floats) -> None:
    """Print each strip's and block's figures, or that it was not found."""
    told = {(str(event["frame"]).rsplit("/", 1)[-1], event["event"]): event for event in events}
    kinds = {"strip_set": ("strip", strip_figures), "star_block": ("block", block_figures)}
    for frame in frames:
        for truth in frame["objects"]:
            if truth.get("type") not in kinds:
                continue
            name, figures = kinds[truth["type"]]
            event = told.get((frame["file"], name))
            if event is None:
                print(f"{frame['file']}: no {name} was told")
                continue
            what = "error, u" if name == "strip" else "RMS, worst"
            said = "; ".join(f"{k} {a:.3f}, {b:.3f}" for k, (a, b) in figures(truth, event, to_mat).items())
            print(f"{frame['file']} ({what}): {said}{', trouble ' + event['trouble'] if event.get('trouble') else ''}")
