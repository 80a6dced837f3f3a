"""What a calibration has captured so far, on the disk: an interruption costs one view at most.

A folder beside the rig holds one small JSON file for each accepted view and one for the projector's patterns as
they were read. Each file is written whole or not at all.
"""

from __future__ import annotations

import json
import os
import re
from collections.abc import Callable
from contextlib import suppress
from dataclasses import dataclass
from pathlib import Path
from typing import Any, TypeVar

import numpy as np
from numpy.typing import NDArray

from calibration.beam.mesh import Mesh
from calibration.rigdata import array, get, keys, number, text
from calibration.sheet.corners import SheetView
from calibration.tone import Tone

KIND = "chalkbeam captures"
SCHEMA = 1
ABOUT, TONE, PATTERNS = "about.json", "tone.json", "patterns.json"
VIEW = re.compile(r"(sheet_flat|sheet_tilted)_(\d+)\.json")
Data = dict[str, Any]
T = TypeVar("T")


class CapturesError(Exception):
    """What was captured before cannot be gone on with; the message says in one line why, and what to do."""


@dataclass(frozen=True, slots=True)
class About:
    """What the captures belong to; another camera, projector or board begins anew."""

    board: str
    camera_px: tuple[int, int]
    projector_px: tuple[int, int]
    options: tuple[tuple[str, float | str], ...] = ()  # what the person said on the command line


class Captures:
    """One folder of captures. What it holds is read once, when it is opened."""

    def __init__(self, folder: Path) -> None:
        self.folder = folder
        self._forget()

    def _forget(self) -> None:
        self.about: About | None = None
        self.views: dict[str, list[SheetView]] = {"sheet_flat": [], "sheet_tilted": []}
        self.tone: Tone | None = None
        self.patterns: Mesh | None = None
        self.count, self._fresh = 0, False  # views that were ever kept: no two have one number

    @property
    def empty(self) -> bool:
        return self.patterns is None and not any(self.views.values())

    @property
    def told(self) -> str:
        """What is there, in words."""
        flat, tilted = (len(self.views[what]) for what in ("sheet_flat", "sheet_tilted"))
        return f"{flat} flat and {tilted} tilted views" + (" and the patterns" if self.patterns else "")

    def begin(self, about: About) -> None:
        """Start anew for these devices and this board. What was there before goes when something new is kept."""
        self._forget()
        self.about, self._fresh = about, True

    def check(self, about: About) -> None:
        """Raises CapturesError where what is there belongs to something else."""
        if self.about is None:
            raise CapturesError(f"{self.folder}: nothing is kept there; leave --resume out")
        for name, had, has in (
            ("board", self.about.board, about.board),
            ("camera size", _size(self.about.camera_px), _size(about.camera_px)),
            ("projector size", _size(self.about.projector_px), _size(about.projector_px)),
        ):
            if had != has:
                raise CapturesError(
                    f"{self.folder}: was taken with {name} {had}, now it is {has}; leave --resume out to begin anew"
                )

    def keep_view(self, what: str, view: SheetView) -> None:
        """Keep one accepted view, `what` being `sheet_flat` or `sheet_tilted`. Raises CapturesError."""
        self.count += 1
        self._write(f"{what}_{self.count:02d}.json", _view_data(view))
        self.views[what].append(view)

    def drop_view(self, what: str, view: SheetView) -> None:
        """Keep a view no more."""
        self.views[what] = [one for one in self.views[what] if one is not view]
        for path in self._paths(what):
            with suppress(OSError, ValueError):
                if json.loads(path.read_text(encoding="utf-8"))["name"] == view.name:
                    path.unlink()

    def keep_tone(self, tone: Tone) -> None:
        """Keep the camera's tone curve. Raises CapturesError."""
        self._write(TONE, {"how": tone.how, "linear_of_byte": tone.linear_of_byte.tolist()})
        self.tone = tone

    def keep_patterns(self, read: Mesh) -> None:
        """Keep what the patterns told. Raises CapturesError."""
        self._write(PATTERNS, _mesh_data(read))
        self.patterns = read

    def remove(self) -> None:
        """Take the folder away, and nothing in it that is not ours."""
        self._clear()
        with suppress(OSError):
            self.folder.rmdir()
        self._forget()

    def _clear(self) -> None:
        for path in (*self._paths(), *(self.folder / name for name in (ABOUT, TONE, PATTERNS))):
            with suppress(OSError):
                path.unlink()

    def _paths(self, what: str = "") -> list[Path]:
        found = [path for path in self.folder.glob(f"{what}*.json") if VIEW.fullmatch(path.name)]
        return sorted(found, key=_number)

    def _write(self, name: str, data: Data) -> None:
        if self._fresh and self.about is not None:
            self._fresh = False
            self._clear()
            self._write(ABOUT, _about_data(self.about))
        part = self.folder / f".{name}.part"
        try:
            self.folder.mkdir(exist_ok=True)
            with part.open("w", encoding="utf-8") as file:
                file.write(json.dumps(data, allow_nan=True) + "\n")
                file.flush()
                os.fsync(file.fileno())
            part.replace(self.folder / name)
        except OSError as error:
            raise CapturesError(
                f"{self.folder}: cannot be written ({error.strerror}); make room, or choose another place with -o"
            ) from error


def folder_of(rig_file: Path) -> Path:
    """Where the captures of a rig lie."""
    return rig_file.with_name(f"{rig_file.name}.captures")


def open_captures(folder: Path) -> Captures:
    """What is kept in a folder; nothing where there is none. Raises CapturesError for damaged files."""
    captures = Captures(folder)
    if not (folder / ABOUT).exists():
        return captures
    captures.about = _parsed(folder / ABOUT, _about)
    for path in captures._paths():
        found = VIEW.fullmatch(path.name)
        if found is not None:
            captures.views[found[1]].append(_parsed(path, _view))
    captures.count = max(map(_number, captures._paths()), default=0)
    captures.tone = _kept(folder / TONE, _tone)
    captures.patterns = _kept(folder / PATTERNS, _mesh)
    return captures


def _kept(path: Path, reader: Callable[[Data], T]) -> T | None:
    return _parsed(path, reader) if path.exists() else None


def _number(path: Path) -> int:
    found = VIEW.fullmatch(path.name)
    return int(found[2]) if found else 0


def _size(size_px: tuple[int, int]) -> str:
    return f"{size_px[0]}x{size_px[1]}"


def _parsed(path: Path, reader: Callable[[Data], T]) -> T:
    try:
        return reader(keys(json.loads(path.read_text(encoding="utf-8")), path.name))
    except (OSError, ValueError) as error:
        raise CapturesError(f"{path}: damaged; leave --resume out to begin anew") from error


def _about(data: Data) -> About:
    if data.get("kind") != KIND or data.get("schema") != SCHEMA:
        raise ValueError("another kind")
    camera, projector = (array(data, key, (2,)).astype(int).tolist() for key in ("camera_px", "projector_px"))
    options = tuple(keys(get(data, "options"), "options").items())
    board = text(get(data, "board"), "board")
    return About(board, (camera[0], camera[1]), (projector[0], projector[1]), options)


def _about_data(about: About) -> Data:
    data: Data = {"kind": KIND, "schema": SCHEMA, "board": about.board, "options": dict(about.options)}
    return data | {"camera_px": list(about.camera_px), "projector_px": list(about.projector_px)}


def _view_data(view: SheetView) -> Data:
    return {
        "name": view.name,
        "ids": view.ids.tolist(),
        "corners_sheet_mm": view.corners_sheet_mm.tolist(),
        "corners_px": view.corners_px.tolist(),
        "corners_u_px": view.corners_u_px.tolist(),
        "blur_px": _or_null(view.blur_px),
        "white": _or_null(view.white),
    }


def _view(data: Data) -> SheetView:
    ids = array(data, "ids", (None,)).astype(np.int64)
    n = len(ids)
    blur, white = (np.nan if data[key] is None else number(data, key) for key in ("blur_px", "white"))
    return SheetView(
        text(get(data, "name"), "name"),
        ids,
        array(data, "corners_sheet_mm", (n, 2)),
        array(data, "corners_px", (n, 2)),
        array(data, "corners_u_px", (n,)),
        blur,
        white,
    )


def _or_null(value: float) -> float | None:
    return float(value) if np.isfinite(value) else None


def _mesh_data(read: Mesh) -> Data:
    rows: NDArray[np.float64] = np.hstack([read.camera_px, read.projector_px, read.u_px])
    return {"camera_px_projector_px_u_px": rows.tolist()}


def _mesh(data: Data) -> Mesh:
    rows = array(data, "camera_px_projector_px_u_px", (None, 6))
    return Mesh(rows[:, :2], rows[:, 2:4], rows[:, 4:])


def _tone(data: Data) -> Tone:
    return Tone(array(data, "linear_of_byte", (256,)), text(get(data, "how"), "how"))
