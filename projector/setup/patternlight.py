"""Read the projector's patterns: how bright they may be, what the camera's values mean, what lights what."""

from __future__ import annotations

from calibration.beam.adding import find_tone, tone_pictures
from calibration.beam.coarse import CoarseMap, NotSeen, coarse_map, coarse_pictures
from calibration.beam.decoding import decode, suit_white
from calibration.beam.mesh import Mesh, mesh
from calibration.beam.patterns import Patterns
from calibration.beam.steady import Bumped, bumped
from calibration.light import linear_grey
from calibration.tone import SRGB, Tone
from projector.setup.looking import CalibratingError, announce_flashing, even, under_lamp
from projector.table.devices import Picture, Table

LEVELS_TRIED = 5
TRIES = 3  # of the patterns, where the projector is bumped meanwhile
LOOK_AWAY_S = 2.0  # between announcing stripes and showing them
LIT = 0.02  # linear light under which a still mat tells nothing
STILL_FRAMES = 4


def white_level(table: Table, tone: Tone = SRGB) -> int:
    """The brightest level, of 255, that the camera takes in without clipping."""
    level = 255
    for _ in range(LEVELS_TRIED):
        black, white = (_shown(table, even(table.display.size_px, value / 255)) for value in (0, level))
        suited = suit_white(white, black, level, tone)
        if suited.white >= level:
            break
        level = suited.white
    return level


def measured_tone(table: Table, white: int) -> Tone:
    """The camera's tone curve by light that adds up; sRGB's, with the reason, where that does not tell."""
    return find_tone([_shown(table, picture) for picture in tone_pictures(table.display.size_px, white)])


def rough_map(table: Table, white: int, tone: Tone) -> CoarseMap | NotSeen:
    """Roughly which projector pixel lights which camera pixel."""
    size_px = table.display.size_px
    return coarse_map([_shown(table, picture) for picture in coarse_pictures(size_px, white)], size_px, tone)


def read_patterns(table: Table, tone: Tone) -> Mesh:
    """Show every pattern on the bare mat and look at it. Raises CalibratingError.

    Where the projector is bumped meanwhile the patterns are shown again. Where camera or mat moved, the views of the
    sheet are no longer true either.
    """
    announce_flashing(table, "stripes follow for some ten seconds", LOOK_AWAY_S)
    white = white_level(table, tone)
    for _ in range(TRIES):
        before = linear_grey(under_lamp(table, STILL_FRAMES, tone), tone)
        read = decode((_shown(table, p) for p in Patterns(table.display.size_px, white)), table.display.size_px, tone)
        if not isinstance(read, Bumped):
            return mesh(read)
        if bumped(before, linear_grey(under_lamp(table, STILL_FRAMES, tone), tone), before > LIT):
            raise CalibratingError(
                "camera or mat moved while the patterns were shown, so the views of the sheet no longer hold; "
                "fix the camera and calibrate again, without --resume"
            )
        do = "leave the table alone; the patterns are shown again"
        table.teller.tell("refused", what="patterns", why="bumped", do=do)
    raise CalibratingError(
        "the projector moved each time the patterns were shown; fix its mount, then go on with --resume"
    )


def _shown(table: Table, picture: Picture) -> Picture:
    table.throw(picture)
    return table.look().pixels
