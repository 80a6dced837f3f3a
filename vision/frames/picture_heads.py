"""What the head of a picture's file says of its size and turn, so that a giant is refused before it is unpacked.

Sources: PNG specification (W3C), 11.2.1 IHDR; ITU-T T.81, B.2.2 frame header; TIFF 6.0, section 2 and tags 256, 257
and 274 (with BigTIFF's longer offsets); BITMAPFILEHEADER and BITMAPINFOHEADER (Win32 documentation); WebP container
specification and RFC 6386 (9.1), RFC 9649 (3.4).
"""

from __future__ import annotations

import struct
from collections.abc import Callable, Iterator

Size = tuple[int, int]  # width, height

JPEG_FRAMES = frozenset(range(0xC0, 0xD0)) - {0xC4, 0xC8, 0xCC}  # the segments that state a size
JPEG_BARE = frozenset({0x01, *range(0xD0, 0xD8)})  # markers without a length
WIDTH, HEIGHT, TURN, SHORT = 256, 257, 274, 3  # tags of a TIFF, and a kind of value
TIFF_TYPES = {1: "B", SHORT: "H", 4: "I", 16: "Q"}  # bytes, shorts, longs, and BigTIFF's
TIFF_STARTS = (b"II*\0", b"MM\0*", b"II+\0", b"MM\0+")
MOST_DIRECTORIES = 64


def stated_size_px(data: bytes) -> Size | None:
    """Width and height that a PNG, JPEG, TIFF, BMP or WebP states; None of any other file, or of a head cut short."""
    for start, size_of in HEADS:
        if data.startswith(start):
            try:
                return size_of(data)
            except (struct.error, IndexError):
                return None
    return None


def _of_png(data: bytes) -> Size:
    width, height = struct.unpack_from(">II", data, 16)
    return width, height


def _of_jpeg(data: bytes) -> Size | None:
    at = 2
    while data[at] == 0xFF:
        kind = data[at + 1]
        if kind == 0xFF or kind in JPEG_BARE:  # a fill byte; a marker alone
            at += 1 if kind == 0xFF else 2
            continue
        if kind in JPEG_FRAMES:
            height, width = struct.unpack_from(">HH", data, at + 5)
            return width, height
        (length,) = struct.unpack_from(">H", data, at + 2)
        at += 2 + length
    return None


def _of_bmp(data: bytes) -> Size:
    if struct.unpack_from("<I", data, 14)[0] == 12:  # the oldest head
        width, height = struct.unpack_from("<HH", data, 18)
        return width, height
    width, height = struct.unpack_from("<ii", data, 18)
    return abs(width), abs(height)  # a negative height: its rows run down


def _of_webp(data: bytes) -> Size | None:
    kind = data[12:16]
    if data[8:12] != b"WEBP":
        return None
    if kind == b"VP8X":
        return int.from_bytes(data[24:27], "little") + 1, int.from_bytes(data[27:30], "little") + 1
    if kind == b"VP8L":
        bits = struct.unpack_from("<I", data, 21)[0]
        return (bits & 0x3FFF) + 1, (bits >> 14 & 0x3FFF) + 1
    width, height = struct.unpack_from("<HH", data, 26)
    return width & 0x3FFF, height & 0x3FFF


def _of_tiff(data: bytes) -> Size | None:
    """The largest of the file's pictures: which of them is read is the library's choice."""
    order, sizes = _order(data), []
    for entries in _tiff_directories(data):
        found = dict[int, int]()
        for tag, kind, at in entries:
            if tag in (WIDTH, HEIGHT) and kind in TIFF_TYPES:
                (found[tag],) = struct.unpack_from(order + TIFF_TYPES[kind], data, at)
        if len(found) == 2:
            sizes.append((found[WIDTH], found[HEIGHT]))
    return max(sizes, key=lambda size: size[0] * size[1], default=None)


def without_turn(data: bytes) -> bytes:
    """A TIFF that notes no turn, any other file as it is: the library turns TIFFs even where it is told not to."""
    if not data.startswith(TIFF_STARTS):
        return data
    order, upright = _order(data), bytearray(data)
    try:
        for entries in _tiff_directories(data):
            for tag, kind, at in entries:
                if tag == TURN and kind == SHORT:
                    struct.pack_into(order + "H", upright, at, 1)
    except struct.error:
        return data
    return bytes(upright)


def _order(data: bytes) -> str:
    return "<" if data.startswith(b"II") else ">"


def _tiff_directories(data: bytes) -> Iterator[list[tuple[int, int, int]]]:
    """Each picture's entries: tag, kind, and where its value begins."""
    order = _order(data)
    big = struct.unpack_from(order + "H", data, 2)[0] == 43
    count_kind, entry_size, offset_kind = ("Q", 20, "Q") if big else ("H", 12, "I")
    (at,) = struct.unpack_from(order + offset_kind, data, 8 if big else 4)
    seen = set[int]()
    while at and at not in seen and len(seen) < MOST_DIRECTORIES:
        seen.add(at)
        if at > len(data):  # farther off than the file is long; no integer is too great to be compared
            raise struct.error("the directory lies beyond the file")
        (count,) = struct.unpack_from(order + count_kind, data, at)
        first = at + struct.calcsize(count_kind)
        if first + count * entry_size > len(data):
            raise struct.error("the directory is cut off")
        starts = range(first, first + count * entry_size, entry_size)
        yield [(*struct.unpack_from(order + "HH", data, one), one + (12 if big else 8)) for one in starts]
        (at,) = struct.unpack_from(order + offset_kind, data, first + count * entry_size)


HEADS: tuple[tuple[bytes, Callable[[bytes], Size | None]], ...] = (
    (b"\x89PNG\r\n\x1a\n", _of_png),
    (b"\xff\xd8\xff", _of_jpeg),
    *((start, _of_tiff) for start in TIFF_STARTS),
    (b"BM", _of_bmp),
    (b"RIFF", _of_webp),
)
