"""A gauge study in words and in the keys of its event."""

from __future__ import annotations

from typing import Any

from projector.gauge.study import Gauged, SelfStudy
from projector.telling.events import DEG_PLACES, MM_PLACES, Event
from vision.statistics.gauge import Grade

RULE = (
    "under 10 % of a tolerance is good enough, 10 to 30 % may be, over 30 % is not; "
    "5 groups are wanted where units differ"
)
SOURCE = "AIAG, Measurement Systems Analysis, 4th ed. 2010"
HEADS = ("", "repeats to", "between people", "units differ by", "of tolerance", "groups told apart")


def study_words(study: SelfStudy) -> list[str]:
    """The table, and what it comes to."""
    rows = [HEADS, *(_row(one) for one in study.gauged)]
    wide = [max(len(row[i]) for row in rows) for i in range(len(HEADS))]
    table = [
        "  ".join(cell.ljust(w) if i == 0 else cell.rjust(w) for i, (cell, w) in enumerate(zip(row, wide, strict=True)))
        for row in rows
    ]
    return [
        heading(study),
        *table,
        *(f"left out, {why}" for why in study.left_out),
        conclusion(study),
        f"{RULE} ({SOURCE})",
    ]


def heading(study: SelfStudy) -> str:
    """What was studied."""
    units = f"{len(study.numbers)} unit{'' if len(study.numbers) == 1 else 's'}"
    alone = "one person, so repeatability alone" if study.people == 1 else f"{study.people} people"
    return f"gauge study of {study.shape.name}: {units}, {study.rounds} rounds, {alone}"


def conclusion(study: SelfStudy) -> str:
    """Whether it is good enough for the tolerance asked, and for which it would be."""
    worst = study.worst
    limit, unit = worst.dimension.limit, _unit(worst)
    most = f"{worst.percent_of_tolerance:.0f} % of {worst.dimension.name} ± {limit:.2f} {unit}"
    if worst.grade is Grade.GOOD:
        return f"the tool is good enough for these tolerances: at most it takes {most}"
    wider = limit * worst.percent_of_tolerance / 10.0
    verdict = "may be good enough" if worst.grade is Grade.PERHAPS else "is not good enough"
    return f"the tool {verdict}: it takes {most}; it is good enough for ± {wider:.2f} {unit}"


def study_keys(study: SelfStudy) -> Event:
    """For scripts: standard deviations in mm, of angles in degrees; null where something cannot be told."""
    return {
        "expected": study.shape.name,
        "units": len(study.numbers),
        "numbers": list(study.numbers),
        "rounds": study.rounds,
        "people": study.people,
        "left_out": list(study.left_out),
        "good_enough": {Grade.GOOD: "yes", Grade.PERHAPS: "perhaps", Grade.POOR: "no"}[study.worst.grade],
        "dimensions": [_keys(one) for one in study.gauged],
    }


def _keys(one: Gauged) -> dict[str, Any]:
    told, places = one.study, DEG_PLACES if one.dimension.unit == "deg" else MM_PLACES
    between = told.repeatability_between()
    figures = {
        "repeatability": told.repeatability,
        "repeatability_low": between.low,
        "repeatability_high": between.high,
        "reproducibility": told.reproducibility,
        "gauge": told.gauge,
        "part": told.part,
        "total": told.total,
        "limit": one.dimension.limit,
        "u": one.u,
    }
    rounded = {key: None if value is None else round(value, places) for key, value in figures.items()}
    percent = {"percent_of_tolerance": one.percent_of_tolerance, "percent_of_total": told.percent_of_total}
    return {
        "name": one.dimension.name,
        "kind": one.dimension.kind,
        "places": list(one.dimension.places),
        "unit": one.dimension.unit,
        **rounded,
        **{key: None if value is None else round(value, 2) for key, value in percent.items()},
        "categories": told.categories,
    }


def _row(one: Gauged) -> tuple[str, ...]:
    told, unit = one.study, _unit(one)
    return (
        one.dimension.name,
        f"{told.repeatability:.3f} {unit}",
        "-" if told.reproducibility is None else f"{told.reproducibility:.3f} {unit}",
        "-" if told.part is None else f"{told.part:.3f} {unit}",
        f"{one.percent_of_tolerance:.1f} %",
        "-" if told.categories is None else f"{told.categories}",
    )


def _unit(one: Gauged) -> str:
    return "deg" if one.dimension.unit == "deg" else "mm"
