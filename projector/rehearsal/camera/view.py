"""The table as the camera gathers it, noise and time left out; what stood still is not drawn twice."""

from __future__ import annotations

from collections import OrderedDict
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from projector.rehearsal.bench import Lying
from projector.rehearsal.light.light import Planes, Thrown, lampless, picture_of, reflected, shaded, thrown
from projector.rehearsal.setting import Setting
from projector.rehearsal.things.layers import (
    Layer,
    Plane,
    Sights,
    beams,
    cloth_layer,
    sheet_layer,
    sights,
    weave_texture,
)
from projector.rehearsal.things.mat import Skin, mat_layer, skin_of
from projector.rehearsal.things.relief import Shade, shade_of, walls_of
from projector.rehearsal.things.sheet import PrintedSheet

Picture = NDArray[np.uint8]

STILLS = 4  # pictures without noise that are kept


@dataclass(frozen=True, eq=False, slots=True)
class Props:
    """Things of the table's own that look the same wherever the devices hang."""

    skin: Skin
    weave: Plane
    sheet: PrintedSheet | None
    texture: Plane | None


def props_of(
    setting: Setting, sheet: PrintedSheet | None, rng: np.random.Generator, special: np.random.Generator
) -> Props:
    """The mat's skin, the cloth's weave, and the sheet as this table's printer made it."""
    skin, weave = skin_of(setting, rng, special), weave_texture(rng)
    return Props(skin, weave, sheet, None if sheet is None else sheet.texture())


@dataclass(frozen=True, eq=False, slots=True)
class Seen:
    """A thing on the mat: its layers from the lowest up, and what it leaves of the light beside it."""

    layers: tuple[Layer, ...]
    shade: Shade | None = None


class View:
    """What the camera would gather of a table that stands still; the last few are remembered."""

    def __init__(self, setting: Setting, props: Props) -> None:
        self._setting, self._props = setting, props
        self._sights: dict[float, Sights] = {}
        self._mat = mat_layer(setting, self._sights_at(0.0), props.skin)
        self._beams = beams(setting.camera)
        self._seen: dict[int, tuple[object, Seen]] = {}
        self._thrown: tuple[Picture | None, Thrown, Planes] | None = None
        self._stills: OrderedDict[tuple[int, int], tuple[Lying, Picture | None, Planes]] = OrderedDict()

    def linear(self, lying: Lying, picture: Picture | None) -> Planes:
        """Linear light on the camera's pixels, full scale 1; without a picture the projector's lamp is out."""
        key = id(lying), id(picture)
        if key not in self._stills:
            light, mat = self._light(picture)
            things = self._above(lying)
            beside = shaded(mat, self._mat, light, [thing.shade for thing in things if thing.shade is not None])
            above = tuple(layer for thing in things for layer in thing.layers)
            planes = picture_of(self._setting, beside, above, light)
            self._stills[key] = lying, picture, planes  # holding both keeps their ids theirs
            while len(self._stills) > STILLS:
                self._stills.popitem(last=False)
        self._stills.move_to_end(key)
        return self._stills[key][2]

    def _light(self, picture: Picture | None) -> tuple[Thrown, Planes]:
        """The light of a picture, and the bare mat in it."""
        if self._thrown is None or self._thrown[0] is not picture:
            setting = self._setting
            light = lampless(setting.projector.size_px) if picture is None else thrown(picture, setting.beam)
            self._thrown = picture, light, reflected(self._mat, light)
        return self._thrown[1], self._thrown[2]

    def _above(self, lying: Lying) -> tuple[Seen, ...]:
        """All that lies on the mat; what lay there before is used again."""
        things: list[object] = [*lying.pieces] if lying.sheet is None else [*lying.pieces, lying.sheet]
        self._seen = {id(t): self._seen.get(id(t)) or (t, self._look_at(t, lying)) for t in things}
        return tuple(seen for _, seen in self._seen.values())

    def _sights_at(self, height_mm: float) -> Sights:
        if height_mm not in self._sights:
            self._sights[height_mm] = sights(self._setting, height_mm)
        return self._sights[height_mm]

    def _look_at(self, thing: object, lying: Lying) -> Seen:
        for piece in lying.pieces:
            if piece is thing:
                top = cloth_layer(self._setting, self._sights_at(piece.thickness_mm), piece, self._props.weave)
                ground = self._sights_at(0.0)
                walls = walls_of(self._setting, ground, piece, top)
                return Seen((*walls, top), shade_of(self._setting, ground, piece))
        sheet, texture, pose = self._props.sheet, self._props.texture, lying.sheet
        if sheet is None or texture is None or pose is None:
            raise ValueError("no printed sheet was given to this table")
        return Seen((sheet_layer(self._setting, self._beams, sheet, texture, pose),))
