"""How the virtual person lays the printed sheet: where it was asked for, roughly, and sometimes wrongly."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import replace
from enum import Enum
from typing import Any

import numpy as np
from numpy.typing import NDArray

from projector.rehearsal.optics import turn_about
from projector.rehearsal.person.places import sheet_flat_at, sheet_tilted_at
from projector.rehearsal.setting import Setting
from projector.rehearsal.things.bend import bend_of
from projector.rehearsal.things.sheet import PrintedSheet, SheetPose, flat, tilted

Floats = NDArray[np.float64]
Event = Mapping[str, Any]

OFF_MM, OFF_RAD = 12.0, np.radians(5.0)  # at most, along either axis, from a place that is shown
TILT_OFF = 0.2  # of a lift that is asked for
LEAST_TILT_RAD, MOST_TILT_RAD = np.radians(12.0), np.radians(32.0)
FLATTENED = 0.4  # what is left of a curl after one was told of it
# Axis about which a sheet is turned to lift an edge, as the person stands: the edge is to the axis' left.
LIFT_AXES_RAD = {"far": 0.0, "left": np.pi / 2, "near": np.pi, "right": -np.pi / 2}


class Misstep(Enum):
    """What goes wrong when a sheet is laid."""

    SAME_PLACE = "it is laid where it lay before"
    HAND_STAYS = "a hand stays on it"
    SLIDES = "it slides a little when the hand is gone"


class Laying:
    """One person's way with the sheet; remembers where the first one lay and what was refused."""

    def __init__(self, sheet: PrintedSheet | None, rng: np.random.Generator, special: np.random.Generator) -> None:
        self._sheet, self._rng, self._special = sheet, rng, special
        self._first: SheetPose | None = None
        self._curl, self._careful = 1.0, False

    @property
    def sheet(self) -> PrintedSheet:
        if self._sheet is None:
            raise ValueError("the virtual person was asked for a printed sheet and was given none")
        return self._sheet

    def refused(self, why: str) -> None:
        """The last one was not good: the next is laid with care, and flattened if it was curled."""
        self._careful = True
        if why == "curled":
            self._curl *= FLATTENED

    def misstep(self, setting: Setting) -> Misstep | None:
        """What goes wrong this time."""
        careful, self._careful = self._careful, False
        if setting.clumsy == 0.0 or careful or self._special.random() >= setting.clumsy:
            return None
        return list(Misstep)[self._special.integers(len(Misstep))]

    def pose(self, setting: Setting, event: Event) -> SheetPose:
        """Where the sheet comes to lie for an event that asks for it."""
        is_flat, index = event["what"] == "sheet_flat", int(event.get("n") or 1) - 1
        place = event.get("place")
        if place is not None:
            pose = self._placed(event, place, is_flat)
        elif is_flat:
            pose = sheet_flat_at(setting, self.sheet, index, self._rng)
        else:
            pose = sheet_tilted_at(setting, self.sheet, index, self._rng)
        if is_flat and index == 0:
            self._first = pose
        return self._curled(setting, pose)

    def slid(self, pose: SheetPose) -> SheetPose:
        """The same sheet some millimetres on."""
        course = self._special.uniform(-np.pi, np.pi)
        step = self._special.uniform(3.0, 8.0) * np.array([np.cos(course), np.sin(course), 0.0])
        return replace(pose, at_mm=pose.at_mm + step)

    def _placed(self, event: Event, place: Mapping[str, Any], is_flat: bool) -> SheetPose:
        """At four corners (counter-clockwise from the print's own lower left), as well as one does by eye."""
        corners = self._on_mat(np.asarray(place["corners"], float), str(place["frame"]))
        along = corners[1] - corners[0]
        turn = float(np.arctan2(along[1], along[0])) + self._special.uniform(-OFF_RAD, OFF_RAD)
        x, y = corners.mean(axis=0) + self._special.uniform(-OFF_MM, OFF_MM, 2)
        if is_flat:
            return flat(self.sheet, (float(x), float(y)), turn)
        return tilted(self.sheet, (float(x), float(y)), turn, *self._tilt(event, turn))

    def _tilt(self, event: Event, turn_rad: float) -> tuple[float, float]:
        """Axis and angle for the edge that is to be lifted; anything if none is named."""
        edge = event.get("lift")
        if edge not in LIFT_AXES_RAD:
            return self._special.uniform(-np.pi, np.pi), self._special.uniform(LEAST_TILT_RAD, MOST_TILT_RAD)
        axis = LIFT_AXES_RAD[str(edge)] + self._special.uniform(-0.2, 0.2)
        course = np.array([-np.sin(axis), np.cos(axis)])  # on the mat, towards the lifted edge
        rotation = turn_about(np.array([0.0, 0.0, 1.0]), turn_rad)[:2, :2]
        own = np.abs(course @ rotation)  # the same along the sheet's own right and up
        length = float(own @ [self.sheet.width_mm, self.sheet.height_mm])
        lift = float(event.get("lift_mm") or 0.4 * length) * (1.0 + self._special.uniform(-TILT_OFF, TILT_OFF))
        angle = float(np.arcsin(min(lift / length, 0.9)))
        return axis, float(np.clip(angle, LEAST_TILT_RAD, MOST_TILT_RAD))

    def _on_mat(self, corners_mm: Floats, frame: str) -> Floats:
        """Corners (4, 2) of a frame as the person sees them on the mat; the first sheet's begins at its print."""
        if frame == "mat":
            return corners_mm
        if frame != "sheet" or self._first is None:
            raise ValueError(f"the virtual person knows no frame {frame!r} before the first sheet lies")
        printed = corners_mm + self.sheet.margin_mm
        return replace(self._first, bend=None).world_from_own(printed)[:, :2]

    def _curled(self, setting: Setting, pose: SheetPose) -> SheetPose:
        quirks = setting.sheet
        if quirks.lift_mm == 0.0:
            return pose
        lift = quirks.lift_mm * self._curl * self._special.uniform(0.0, 1.0)
        size = self.sheet.width_mm, self.sheet.height_mm
        return replace(pose, bend=bend_of(size, quirks.profile, lift, self._special))
