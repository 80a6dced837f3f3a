"""The report as one page of HTML that asks nothing of anybody: no script, no font, no picture from elsewhere."""

from __future__ import annotations

import math
from collections.abc import Callable, Sequence
from dataclasses import dataclass
from datetime import datetime
from importlib import resources
from typing import Any

from projector.reporting.blockrows import BlockRows
from projector.reporting.contents import Charted, Kind, Measured, Part
from projector.reporting.days import day_table
from projector.reporting.dimensionchart import FULL, HALF, dimension_chart
from projector.reporting.figures import (
    at_most_words,
    between_words,
    doubt_words,
    drift_words,
    index_words,
    interval_words,
    off_words,
    plan_lines,
    planned_words,
    run_words,
    share_words,
    size_words,
)
from projector.reporting.inshort import in_short
from projector.reporting.timechart import time_chart
from projector.reporting.unitdrawing import plan_drawing, unit_drawing
from projector.reporting.wandering import wander_of, wander_words
from vision.overlay.units import SIGNS
from vision.units import Verdict

VERDICTS = ("fits", "close", "trim", "short", "turned_over", "other", "look_again")
MOST_LISTED = 40

Photograph = Callable[[Measured], str | None]  # a picture of a unit as a data: address, where there is one


@dataclass(frozen=True, slots=True)
class RigNote:
    """A rig that was measured with, in words; `trouble` says why nothing is known of it."""

    file: str
    made: datetime | None = None
    words: str = ""
    notes: tuple[str, ...] = ()
    trouble: str = ""


@dataclass(frozen=True, eq=False, slots=True)
class Told:
    """A part of the report with what belongs beside its numbers."""

    part: Part
    seams: Sequence[str]
    foretold: Sequence[str]
    blocks: Sequence[BlockRows]
    rigs: Sequence[RigNote]
    undone: int = 0  # units and strips that the person took back


def page(told: Sequence[Told], made: datetime, photograph: Photograph = lambda unit: None) -> str:
    """The whole page. Whatever came from plans and records is escaped."""
    from jinja2 import Environment, StrictUndefined  # here, because no other command needs it
    from markupsafe import Markup

    room = resources.files("projector.reporting")
    styles = room.joinpath("page.css").read_text(encoding="utf-8")
    template = room.joinpath("page.html").read_text(encoding="utf-8")
    environment = Environment(autoescape=True, undefined=StrictUndefined, trim_blocks=True, lstrip_blocks=True)
    environment.filters["drawn"] = lambda svg: Markup(svg)  # written by svg.py, which escapes
    parts = [_part(one, photograph) for one in told]
    return environment.from_string(template).render(styles=Markup(styles), parts=parts, made=made)


def _part(told: Told, photograph: Photograph) -> dict[str, Any]:
    part, wander = told.part, wander_of(told.part)
    units = part.units
    return {
        "title": part.title,
        "sittings": part.sittings,
        "in_short": in_short(part),
        "from": units[0].at if units else None,
        "to": units[-1].at if units else None,
        "measured": _counted_words(part, told.undone),
        "to_cut": part.to_cut,
        "verdicts": _verdicts([unit.verdict for unit in units]),
        "plan": plan_lines(part),
        "kinds": [_kind(kind, part.metric, photograph) for kind in part.kinds],
        "tells_drift": part.tells_drift,
        "over_time": time_chart(part, wander),
        "wanders": [] if wander is None else wander_words(part, wander),
        "drifts": [
            f"{kind.name}, {one.dimension.name}: {drift_words(one, part.metric)}" for kind, one in part.drifting
        ],
        "days": day_table(part),
        "seams": told.seams,
        "foretold": told.foretold,
        "blocks": told.blocks,
        "rigs": told.rigs,
    }


def _counted_words(part: Part, undone: int) -> str:
    """How many units and strips were measured, and what the person took back."""
    strips = sum(unit.event.get("event") == "strip" for unit in part.units)
    units = len(part.units) - strips
    said = [f"{units} unit{'' if units == 1 else 's'}"] if units or not strips else []
    said += [f"{strips} strip{'' if strips == 1 else 's'}"] if strips else []
    back = f"; {undone} {'was' if undone == 1 else 'were'} taken back and {'is' if undone == 1 else 'are'} left out"
    return f"{' and '.join(said)} measured{back if undone else ''}"


def _verdicts(said: Sequence[str]) -> list[dict[str, Any]]:
    """Each verdict that occurs: its word, its sign, how often, its share."""
    counts = {verdict: said.count(verdict) for verdict in (*VERDICTS, *sorted(set(said) - set(VERDICTS) - {""}))}
    most = max(counts.values(), default=0)
    return [
        {
            "name": name,
            "words": name.replace("_", " "),
            "sign": sign_of(name),
            "count": count,
            "wide": 100 * count / most,
        }
        for name, count in counts.items()
        if count
    ]


def sign_of(verdict: str) -> str:
    """The sign that stands for a verdict wherever it is drawn."""
    return SIGNS[Verdict(verdict)] if verdict in VERDICTS else "?"


def _kind(kind: Kind, metric: bool, photograph: Photograph) -> dict[str, Any]:
    apart = [unit for unit in kind.units if not unit.readings]
    numbers = {id(unit): i + 1 for i, unit in enumerate(kind.read)}
    return {
        "name": kind.name,
        "drawing": None if kind.shape is None else plan_drawing(kind.shape, metric),
        "planned": kind.planned,
        "measured": len(kind.units),
        "verdicts": _verdicts([unit.verdict for unit in kind.units]),
        "charts": [_chart(charted, metric) for charted in kind.charts],
        "worst": [_worst(unit, kind, metric, photograph) | {"number": numbers[id(unit)]} for unit in kind.worst],
        "apart": [_short(unit) for unit in apart[:MOST_LISTED]],
        "apart_more": max(0, len(apart) - MOST_LISTED),
        "all_fit": bool(kind.worst) and all(unit.verdict in ("fits", "") for unit in kind.worst),
    }


def _chart(charted: Charted, metric: bool) -> dict[str, Any]:
    one, told = charted.dimension, charted.capability
    unit = "deg" if one.unit == "deg" else "mm" if metric else "in"
    off = off_words(charted.spread.mean - one.planned, one, metric)
    count, half = charted.spread.count, one.kind in ("angle", "seam")
    return {
        "name": one.name,
        "planned": planned_words(one, metric),
        "count": count if count == len(set(charted.numbers)) else f"{count} on {len(set(charted.numbers))} units",
        "out": charted.out,
        "off": off,
        "most": None if charted.most is None else between_words(charted.most, one, metric),
        "sd": size_words(charted.spread.sd, one, metric) if count > 1 else "-",
        "u": size_words(charted.u, one, metric) if math.isfinite(charted.u) else "unknown",
        "cp": None if told is None else interval_words(told.cp),
        "cpk": None if told is None else interval_words(told.cpk),
        "cpk_alone": None if told is None else index_words(told.cpk.value),
        "foretold_out": None if told is None else share_words(told.outside),
        "at_most": at_most_words(charted.out_at_most),
        "runs": run_words(charted),
        "drift": drift_words(charted, metric),
        "calls": bool(charted.signals),
        "drifts": charted.drifts,
        "doubt": doubt_words(charted),
        "half": half,
        "picture": dimension_chart(charted, unit, HALF if half else FULL),
    }


def _worst(unit: Measured, kind: Kind, metric: bool, photograph: Photograph) -> dict[str, Any]:
    off = max(
        ((one, reading) for one, reading in unit.readings if one.limit > 0.0),
        key=lambda pair: abs(pair[1].value - pair[0].planned) / pair[0].limit,
        default=None,
    )
    farthest = "" if off is None else f"{off[0].name}: {off_words(off[1].value - off[0].planned, off[0], metric)}"
    return _short(unit) | {
        "farthest": farthest,
        "drawing": unit_drawing(unit, kind.shape, metric),
        "photograph": photograph(unit),
    }


def _short(unit: Measured) -> dict[str, Any]:
    return {
        "session": unit.session,
        "n": unit.n,
        "at": unit.at,
        "verdict": unit.verdict.replace("_", " ") or "not judged",
        "sign": sign_of(unit.verdict) if unit.verdict else "",
        "why": unit.why,
    }
