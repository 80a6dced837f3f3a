"""The light across one side, as compiled loops over its pixels; the formula is in `vision.edge.model.light`.

Light is made of three parts, the cloth's, the mat's and the mat's slope, each times a row of the side's table; so are
its slopes by all that is done to it. Which part and which row is data (`PRODUCTS`): the loops are few.
"""

from __future__ import annotations

from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray

from vision.compiled import compiled
from vision.edge.model.cuts import Cuts
from vision.edge.model.encoding import BGR_OF_YCC, STEPS, YCC_OF_BGR, decoded
from vision.edge.model.light import (
    BLUR,
    BOW,
    CAST,
    CHROMA,
    COLOUR_BLUR,
    DOES,
    DOES_SHADOWED,
    FIRST_PX,
    GAIN,
    LAMP,
    LEAN,
    OFFSET,
    REACH,
    REACHES,
    SHARE,
    SKY,
    SOFT,
    STEP_PX,
    TURN,
    WALL,
)
from vision.edge.pixels.sidepixels import SidePixels

Floats = NDArray[np.float64]
Singles = NDArray[np.float32]

# Luma is seen at the first place of the colours' blur alone.
SHARES = np.array([[float(place == 0), part, part] for place, (_, part) in enumerate(COLOUR_BLUR)], np.float32)
MIXES = SHARES[:, :, None] * YCC_OF_BGR.astype(np.float32)  # (3 places, 3 of luma and colours, 3 of blue green red)
LUMA_OF_BGR = YCC_OF_BGR[0].astype(np.float32)
# Parts of the light, and the rows of a side's table: shares of the parts, their slopes across, slopes by the blur of
# cloth's share and of the mend, of the cloth its top and its wall, and what the mat's shadows take.
CLOTH, MAT, MEND, BARE = range(4)
BY_E, OF_BLUR, OF_TOP, OF_WALL, OF_SHADES = 3, 6, 8, 9, 10
# What is done to the light, how often, and by which part and row it shows.
PRODUCTS = np.array(
    [
        *((OFFSET, -1, part, BY_E + part) for part in (CLOTH, MAT, MEND)),
        *((GAIN, 1, part, part) for part in (MAT, MEND)),
        *((BLUR, 1, CLOTH, OF_BLUR), (BLUR, -1, MAT, OF_BLUR), (BLUR, 1, MEND, OF_BLUR + 1), (WALL, 1, CLOTH, OF_WALL)),
        *((does, -1, MAT, OF_SHADES + k) for k, does in enumerate((LAMP, LEAN, CAST, SKY, SHARE, REACH, SOFT))),
    ]
)
ZERO, HALF, ONE, LAST_STEP = np.float32(0.0), np.float32(0.5), np.float32(1.0), np.float32(STEPS - 1)
TWO, LEAST_STEEP = np.float32(2.0), np.float32(0.1)  # encoded by linear light: a curve is nowhere so flat
FIRST, STEP, PER_PX = np.float32(FIRST_PX), np.float32(STEP_PX), np.float32(1.0 / STEP_PX)


class Light(NamedTuple):
    """What is predicted of a side's pixels, the first of N places."""

    seen: Singles  # (3, N) encoded
    slopes: Singles  # (11 or 14, 3, N) of it by what is done to the light (`DOES`)
    by_level: Singles  # (2, N) of luma, and of the colours, by the cloth's encoded level
    by_level_slope: Singles  # (2, N) of that, by the offset
    share: Singles  # (2, N) of cloth, at the luma's and at the colours' blur


class Room(NamedTuple):
    """What the light of a side is made of, in the first of N places."""

    edge_px: Singles  # (N,) how far outward of the edge
    parts: Singles  # (4, 3, N) linear light of cloth, steady mat, its slope outward per px, and mat as it is
    of_level: Singles  # (3, N) luma of a change of linear light, over the change of the cloth's level that makes it
    rows: Singles  # (14 or 17, N) of the side's table
    written: Singles  # (3, N) linear light, and then as it is written down
    steep: Singles  # (3, N) and the slope of that
    mixed: Singles  # (3, N) one written value's slopes by the shares of the three parts


def room_for(most: int, shadowed: bool) -> tuple[Light, Room]:
    """For sides of so many pixels at most, `shadowed` by a light to one side or not."""

    def empty(*shape: int) -> Singles:
        return np.empty((*shape, most), np.float32)

    does = len(DOES_SHADOWED if shadowed else DOES)
    light = Light(empty(3), empty(does, 3), empty(2), empty(2), empty(2))
    return light, Room(empty(), empty(4, 3), empty(3), empty(does - LAMP + OF_SHADES), empty(3), empty(3), empty(3))


@compiled
def lay_out(
    room: Room,
    w: SidePixels,
    s: int,
    own: Floats,
    levels: Floats,
    figured: bool,
    linear: Floats,
    steps: Singles,
) -> None:
    """Where the pixels of side `s` lie, and what cloth and mat would be there.

    `own` (7,) are its unknowns, `levels` (2, 3, B) all sides' cloth; of a print (`figured`) the level changes across
    the side too. `linear` and `steps` are the encoder's.
    """
    first, last = w.bin_starts[w.side_bins[s]], w.bin_starts[w.side_bins[s + 1]]
    offset, turn, bow, gain = np.float32(own[0]), np.float32(own[1]), np.float32(own[2]), np.float32(own[3])
    across, along, bowed = w.across_px[first:last], w.along_px[first:last], w.bow[first:last]
    for i in range(last - first):
        room.edge_px[i] = across[i] - offset - turn * along[i] - bow * bowed[i]
    for c in range(3):
        bare, steady, slope = w.bare[c, first:last], w.steady[c, first:last], w.slope[c, first:last]
        for i in range(last - first):
            room.parts[BARE, c, i] = gain * bare[i]
            room.parts[MAT, c, i] = gain * steady[i]
            room.parts[MEND, c, i] = gain * slope[i]
        for b in range(w.side_bins[s], w.side_bins[s + 1]):
            begin, end = w.bin_starts[b] - first, w.bin_starts[b + 1] - first
            of_bin = np.float32(decoded(levels[0, 0, b], levels[0, 1, b], levels[0, 2, b], c, linear))
            of_level = LUMA_OF_BGR[c] / steps[1, np.int32(np.sqrt(of_bin) * LAST_STEP + HALF)]
            by_level, cloth = room.of_level[c, begin:end], room.parts[CLOTH, c, begin:end]
            for i in range(end - begin):
                by_level[i] = of_level
                cloth[i] = of_bin
            if figured:
                tilt = w.tilt[w.bin_starts[b] : w.bin_starts[b + 1]]
                for i in range(end - begin):
                    luma = levels[0, 0, b] + levels[1, 0, b] * tilt[i]
                    blue = levels[0, 1, b] + levels[1, 1, b] * tilt[i]
                    cloth[i] = decoded(luma, blue, levels[0, 2, b] + levels[1, 2, b] * tilt[i], c, linear)
            if w.foretold[s]:
                _print(room, w, b, c, begin, end, levels, linear, steps)


@compiled
def _print(
    room: Room, w: SidePixels, b: int, c: int, begin: int, end: int, levels: Floats, linear: Floats, steps: Singles
) -> None:
    """What a print is foretold to show in bin `b`, pixels `begin` to `end`, on its levels.

    The print's picture is blurred already, as the mat's is: with D its slope outward and K the slope of that, what
    blurred print times blurred mask lacks of the blurred product is s^2 (e K / 2 - D) g(e), to second order.
    """
    pixels = slice(w.bin_starts[b], w.bin_starts[b + 1])
    shown, slope, curve, tilt = w.shown[0, :, pixels], w.shown[1, :, pixels], w.shown[2, :, pixels], w.tilt[pixels]
    cloth, mend, edge_px = room.parts[CLOTH, c, begin:end], room.parts[MEND, c, begin:end], room.edge_px[begin:end]
    by_luma, by_blue, by_red = BGR_OF_YCC[c]
    for i in range(end - begin):
        luma = levels[0, 0, b] + levels[1, 0, b] * tilt[i] + shown[0, i]
        blue = levels[0, 1, b] + levels[1, 1, b] * tilt[i] + shown[1, i]
        red = levels[0, 2, b] + levels[1, 2, b] * tilt[i] + shown[2, i]
        cloth[i] = decoded(luma, blue, red, c, linear)
        steep = max(steps[1, np.int32(np.sqrt(cloth[i]) * LAST_STEP + HALF)], LEAST_STEEP)
        bent = edge_px[i] / TWO
        off = (
            by_luma * (bent * curve[0, i] - slope[0, i])
            + by_blue * (bent * curve[1, i] - slope[1, i])
            + by_red * (bent * curve[2, i] - slope[2, i])
        )
        mend[i] += np.float32(off) / steep


@compiled
def look_up(room: Room, n: int, table: Singles, shift_px: np.float32) -> None:
    """The rows of a `table` (14 or 17, K) at N places `shift_px` farther out; the parts' shares between its steps."""
    step, within, last = np.empty(n, np.int32), np.empty(n, np.float32), np.float32(table.shape[1] - 0.001)
    for i in range(n):
        place = max(ZERO, min((room.edge_px[i] + shift_px - FIRST) * PER_PX, last))
        step[i] = np.int32(place)
        within[i] = (place - np.float32(step[i])) * STEP
    for r in range(len(table)):
        for i in range(n):
            room.rows[r, i] = table[r, step[i]]
    for part in range(3):
        for i in range(n):
            room.rows[part, i] += room.rows[BY_E + part, i] * within[i]


@compiled
def predict(
    light: Light,
    room: Room,
    w: SidePixels,
    s: int,
    gain: float,
    chroma_px: float,
    table: Singles,
    steps: Singles,
    cuts: Cuts,
    channels: int = 3,
) -> None:
    """The light of side `s` as it is laid out, with its `table` (14 or 17, K); of 1 channel, luma, or of 3."""
    first = w.bin_starts[w.side_bins[s]]
    n = w.bin_starts[w.side_bins[s + 1]] - first
    for i in range(n):
        for y in range(channels):
            light.seen[y, i] = ZERO
        for part in range(2):
            light.by_level[part, i] = light.by_level_slope[part, i] = light.share[part, i] = ZERO
    for x in range(len(light.slopes)):
        for y in range(channels):
            for i in range(n):
                light.slopes[x, y, i] = ZERO
    products = len(PRODUCTS) - (len(DOES_SHADOWED) - len(light.slopes))
    for place in range(channels):  # as many as there are
        look_up(room, n, table, REACHES[place] * np.float32(chroma_px))
        _write(room, n, steps, cuts, s, first, place, np.float32(gain))
        for part in range(1 if place else 0, min(channels, 2)):
            share = SHARES[place, part]
            for i in range(n):
                relative = (
                    room.steep[0, i] * room.of_level[0, i]
                    + room.steep[1, i] * room.of_level[1, i]
                    + room.steep[2, i] * room.of_level[2, i]
                )
                light.by_level[part, i] += share * room.rows[CLOTH, i] * relative
                light.by_level_slope[part, i] -= share * room.rows[BY_E, i] * relative
            for i in range(n):
                light.share[part, i] += share * room.rows[OF_TOP, i]
        for y in range(1 if place else 0, channels):
            mix = MIXES[place, y]
            for i in range(n):
                light.seen[y, i] += (
                    mix[0] * room.written[0, i] + mix[1] * room.written[1, i] + mix[2] * room.written[2, i]
                )
            for part in range(3):
                for i in range(n):
                    room.mixed[part, i] = (
                        mix[0] * room.steep[0, i] * room.parts[part, 0, i]
                        + mix[1] * room.steep[1, i] * room.parts[part, 1, i]
                        + mix[2] * room.steep[2, i] * room.parts[part, 2, i]
                    )
            for k in range(products + (3 if place else 0)):
                does, times, part, row = PRODUCTS[k % products]
                factor = np.float32(times)
                if k >= products:
                    does, factor = CHROMA, REACHES[place]
                elif does == GAIN:
                    factor = np.float32(1.0 / gain)
                for i in range(n):
                    light.slopes[does, y, i] += factor * room.mixed[part, i] * room.rows[row, i]
            for k in range(cuts.starts[s], cuts.starts[s + 1]):
                i = cuts.pixels[k] - first
                of_bar = ZERO
                for c in range(3):
                    of_bar += mix[c] * room.steep[c, i] * cuts.light[c, k]
                light.slopes[OFFSET, y, i] -= np.float32(gain) * of_bar * cuts.mends[place, 1, k]
                light.slopes[CHROMA, y, i] += np.float32(gain) * REACHES[place] * of_bar * cuts.mends[place, 1, k]
                light.slopes[GAIN, y, i] += of_bar * cuts.mends[place, 0, k]
                light.slopes[BLUR, y, i] += np.float32(gain) * of_bar * cuts.mends[place, 2, k]
    along, bow = w.along_px[first:], w.bow[first:]
    for y in range(channels):
        for i in range(n):
            light.slopes[TURN, y, i] = light.slopes[OFFSET, y, i] * along[i]
            light.slopes[BOW, y, i] = light.slopes[OFFSET, y, i] * bow[i]


@compiled
def _write(room: Room, n: int, steps: Singles, cuts: Cuts, s: int, first: int, place: int, gain: np.float32) -> None:
    """Blend the parts by their shares, and write down what comes of it, as `Encoder.nearest` has it."""
    for c in range(3):
        for i in range(n):
            room.written[c, i] = (
                room.parts[CLOTH, c, i] * room.rows[CLOTH, i]
                + room.parts[BARE, c, i] * room.rows[MAT, i]
                + room.parts[MEND, c, i] * room.rows[MEND, i]
            )
        for k in range(cuts.starts[s], cuts.starts[s + 1]):
            room.written[c, cuts.pixels[k] - first] += gain * cuts.light[c, k] * cuts.mends[place, 0, k]
        for i in range(n):
            step = np.int32(np.sqrt(max(ZERO, min(room.written[c, i], ONE))) * LAST_STEP + HALF)
            room.written[c, i], room.steep[c, i] = steps[0, step], steps[1, step]
