"""The table as the camera gathers it, noise and time left out; what stood still is not drawn twice."""

from __future__ import annotations

from collections import OrderedDict

import numpy as np
from numpy.typing import NDArray

from projector.rehearsal.bench import Lying
from projector.rehearsal.layers import Layer, beams, cloth_layer, mat_layer, sheet_layer, sights, weave_texture
from projector.rehearsal.light import Planes, Thrown, irradiance, picture_of, thrown
from projector.rehearsal.person import Work
from projector.rehearsal.setting import CLOTH_THICKNESS_MM, Setting

Picture = NDArray[np.uint8]

STILLS = 3  # pictures without noise that are kept


class View:
    """What the camera would gather of a table that stands still; the last few are remembered."""

    def __init__(self, setting: Setting, work: Work, rng: np.random.Generator) -> None:
        self._setting, self._work = setting, work
        self._mat = mat_layer(setting, sights(setting, 0.0), rng)
        self._weave = weave_texture(rng)
        self._on_cloth = sights(setting, CLOTH_THICKNESS_MM)
        self._beams = beams(setting.camera)
        self._texture = None if work.sheet is None else work.sheet.texture()
        self._layers: dict[int, tuple[object, Layer]] = {}
        self._thrown: tuple[Picture, Thrown, Planes] | None = None
        self._stills: OrderedDict[tuple[int, int], tuple[Lying, Picture, Planes]] = OrderedDict()

    def linear(self, lying: Lying, picture: Picture) -> Planes:
        """Linear light on the camera's pixels, full scale 1."""
        key = id(lying), id(picture)
        if key not in self._stills:
            light, mat = self._light(picture)
            planes = picture_of(self._setting, mat, self._above(lying), light)
            self._stills[key] = lying, picture, planes  # holding both keeps their ids theirs
            while len(self._stills) > STILLS:
                self._stills.popitem(last=False)
        self._stills.move_to_end(key)
        return self._stills[key][2]

    def _light(self, picture: Picture) -> tuple[Thrown, Planes]:
        """The light of a picture, and the bare mat in it."""
        if self._thrown is None or self._thrown[0] is not picture:
            light = thrown(picture, self._setting.beam)
            falls = irradiance(self._mat, light)
            b, g, r = (colour * fall for colour, fall in zip(self._mat.colour, falls, strict=True))
            self._thrown = picture, light, (b, g, r)
        return self._thrown[1], self._thrown[2]

    def _above(self, lying: Lying) -> tuple[Layer, ...]:
        """Layers of all that lies on the mat; those that lay there before are used again."""
        things: list[object] = [*lying.pieces] if lying.sheet is None else [*lying.pieces, lying.sheet]
        self._layers = {id(t): self._layers.get(id(t)) or (t, self._layer(t, lying)) for t in things}
        return tuple(layer for _, layer in self._layers.values())

    def _layer(self, thing: object, lying: Lying) -> Layer:
        for piece in lying.pieces:
            if piece is thing:
                return cloth_layer(self._setting, self._on_cloth, piece, self._weave)
        sheet, pose = self._work.sheet, lying.sheet
        if sheet is None or self._texture is None or pose is None:
            raise ValueError("no printed sheet was given to this table")
        return sheet_layer(self._setting, self._beams, sheet, self._texture, pose)
