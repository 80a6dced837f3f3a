"""Every change of state is told once: as a line for people, and with `--json` as a line for scripts."""

from __future__ import annotations

import json
import math
import os
import sys
from collections.abc import Callable, Iterable, Mapping
from typing import TextIO

import numpy as np

from projector.table.clock import Clock
from projector.telling.sentences import sentence
from vision.comparing.figures import worst_corner_parts_mm
from vision.units import Finding, FindingKind, Judged, MeasuredUnit

Event = dict[str, object]
Listener = Callable[[Event], None]

MM_PLACES, DEG_PLACES, SHARE_PLACES = 4, 5, 4  # a tenth of a micrometre; nothing is lost that was measured


class Teller:
    """Writes events. With `as_json`: one JSON object a line on `out`, sentences on `err`; else sentences on `out`.

    Listeners are called with each event as a script would see it. A reader that goes away is no reason to stop.
    """

    def __init__(
        self,
        clock: Clock,
        as_json: bool = False,
        out: TextIO | None = None,
        err: TextIO | None = None,
        listeners: Iterable[Listener] = (),
    ) -> None:
        self._clock, self._as_json = clock, as_json
        self._given = out, err
        self._listeners = list(listeners)

    @property
    def _out(self) -> TextIO:
        """Where it leads now: a progress bar takes both streams meanwhile, so that lines stand above it."""
        return self._given[0] or sys.stdout

    @property
    def _err(self) -> TextIO:
        return self._given[1] or sys.stderr

    def listen(self, listener: Listener) -> None:
        """Let one more hear every event from now on."""
        self._listeners.append(listener)

    def forget(self, listener: Listener) -> None:
        """Let one hear no more."""
        self._listeners.remove(listener)

    def tell(self, event: str, **keys: object) -> Event:
        """Tell an event with its keys; `t`, seconds since the start, is put in. What was told is returned."""
        told: Event = {"event": event, "t": round(self._clock.now_s(), 3)}
        told |= {key: _plain(value) for key, value in keys.items() if key != "t"}
        if self._as_json:
            _write(self._out, json.dumps(told, ensure_ascii=False, allow_nan=False))
        _write(self._err if self._as_json else self._out, sentence(told))
        for listener in self._listeners:
            listener(told)
        return told

    def pass_on(self, event: Event) -> Event:
        """Tell an event that is made already, its kind among its keys."""
        return self.tell(str(event["event"]), **{key: value for key, value in event.items() if key != "event"})

    def refuse(self, line: str) -> None:
        """Tell what ends the program: one line "what is wrong; what to do" on `err`, and with `as_json` an `error`."""
        line = " ".join(line.split())
        message, _, do = line.rpartition("; ")
        if self._as_json:
            event = {"event": "error", "t": round(self._clock.now_s(), 3), "message": message, "do": do}
            _write(self._out, json.dumps(event, ensure_ascii=False))
        _write(self._err, f"chalkbeam: {line}")


def unit_event(judged: Judged, frame: str | None) -> Event:
    """The keys of a `unit` event: what was measured on one unit, and what is said of it.

    `frame` is the file it was seen in, None from a live camera. Lengths mm in the mat frame, angles degrees.
    """
    unit = judged.unit
    return {
        "event": "unit",
        "frame": frame,
        "expected": judged.expected,
        **_shape_keys(unit),
        "widths_mm": [
            {"sides": list(w.sides)} | _mm(mean=w.mean_mm, least=w.least_mm, greatest=w.greatest_mm, u=w.u_mm)
            for w in unit.widths
        ],
        "seams": [
            {"from": _rounded(s.ends_mat_mm[0]), "to": _rounded(s.ends_mat_mm[1]), "u": _rounded(s.u_mm)}
            for s in unit.seams
        ],
        "offsets_mm": _rounded(judged.offsets_mm),
        "offsets_u_mm": _rounded(judged.offsets_u_mm),
        "bows_mm": [] if unit.curved else _rounded(unit.bows_mm),
        "u_mm": _rounded(np.max(unit.corners_u_mm)),
        "verdict": judged.verdict.value if judged.verdict else None,
        "fit_probability": _rounded(judged.fit_probability, SHARE_PLACES),
        "why": judged.why,
        "findings": [_finding(one) for one in judged.findings],
        "sides_u_mm": None if unit.doubt is None else _rounded(unit.doubt.lengths_u_mm()),
        "bows_u_mm": _rounded(unit.bows_u_mm),
        "u_parts_mm": _parts(unit),
        "curved": _curved(unit),
    }


def _finding(finding: Finding) -> Event:
    """Millimetres outward (of a seam to its left), or degrees counter-clockwise; null where there is no amount."""
    places = DEG_PLACES if finding.kind is FindingKind.SIDE_TURNED else MM_PLACES
    amounts = {"value": _rounded(finding.value, places), "u": _rounded(finding.u, places)}
    if len(finding.sides) > 1:
        amounts["values"] = _rounded(finding.values, places)
    return {"kind": finding.kind.value, "sides": list(finding.sides)} | amounts


def _parts(unit: MeasuredUnit) -> Event | None:
    parts = worst_corner_parts_mm(unit)
    return None if parts is None else _mm(**parts)


def _curved(unit: MeasuredUnit) -> Event | None:
    if unit.curved is None:
        return None
    one = unit.curved
    sizes = {"area_mm2": one.area_mm2, "area_u_mm2": one.area_u_mm2}
    return {key: _rounded(value, 2) for key, value in sizes.items()} | _mm(
        least_size_mm=one.least_size_mm, least_size_u_mm=one.size_u_mm
    )


def _shape_keys(unit: MeasuredUnit) -> Event:
    """Of a curved piece the outline alone: it has no corners to speak of."""
    if unit.curved is not None:
        nothing = {key: list[float]() for key in ("sides_mm", "angles_deg", "angles_u_deg")}
        return {"outline_mat_mm": _rounded(unit.corners_mat_mm)} | nothing
    return {
        "outline_mat_mm": _rounded(unit.corners_mat_mm),
        "sides_mm": _rounded(unit.sides_mm),
        "angles_deg": _rounded(np.degrees(unit.angles_rad), DEG_PLACES),
        "angles_u_deg": _rounded(np.degrees(unit.angles_u_rad), DEG_PLACES),
    }


def _mm(**lengths: float) -> Event:
    return {name: _rounded(value) for name, value in lengths.items()}


def _rounded(values: object, places: int = MM_PLACES) -> object:
    return None if values is None else _plain(np.round(np.asarray(values, float), places).tolist())


def _plain(value: object) -> object:
    """A value as JSON knows it: arrays are lists, numpy's numbers are numbers, what is not finite is null."""
    if isinstance(value, np.ndarray | np.generic):
        value = value.tolist()
    if isinstance(value, Mapping):
        return {str(key): _plain(inner) for key, inner in value.items()}
    if isinstance(value, list | tuple | set | frozenset):
        return [_plain(inner) for inner in value]
    if isinstance(value, float):
        return value if math.isfinite(value) else None
    return value if isinstance(value, str | int | None) else str(value)


def _write(stream: TextIO, text: str) -> None:
    """One line, at once. If nobody reads any more, the rest goes nowhere, also what Python flushes at its end."""
    try:
        stream.write(text + "\n")
        stream.flush()
    except BrokenPipeError:
        nowhere = os.open(os.devnull, os.O_WRONLY)
        os.dup2(nowhere, stream.fileno())
        os.close(nowhere)
