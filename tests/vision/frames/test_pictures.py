"""Pictures of every depth and kind come as 8-bit blue green red; what is no picture is refused."""

from __future__ import annotations

import struct
import zlib
from pathlib import Path

import cv2
import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from vision.frames.picture_heads import stated_size_px
from vision.frames.pictures import PictureError, read_picture

RAMP = np.arange(5 * 7, dtype=np.uint8).reshape(5, 7) * 7
COLOUR = np.dstack([RAMP, 255 - RAMP, RAMP // 2])
INKS = (
    "ffd8ffee000e41646f626500640000000002ffdb0043000302020302020303030304030304050805050404050a070706080c0a0c0c0b0a"
    "0b0b0d0e12100d0e110e0b0b1016101113141515150c0f171816141812141514ffdb00430103040405040509050509140d0b0d14141414"
    "14141414141414141414141414141414141414141414141414141414141414141414141414141414141414141414ffc000140800100010"
    "04011100021101031101041100ffc400160001010100000000000000000000000000000809ffc400141001000000000000000000000000"
    "00000000ffc400160101010100000000000000000000000000000709ffc40014110100000000000000000000000000000000ffda000e04"
    "0100021103110400003f00a2173655354c000001ffd9"
)


@pytest.mark.parametrize(
    ("name", "stored", "wanted"),
    [
        ("colour.png", COLOUR, COLOUR),
        ("colour.tif", COLOUR, COLOUR),
        ("grey.png", RAMP, np.dstack([RAMP] * 3)),
        ("alpha.png", np.dstack([COLOUR, RAMP]), COLOUR),
        ("deep.png", COLOUR.astype(np.uint16) * 257, COLOUR),  # 255 * 257 = 65535: full scale to full scale
        ("deep_grey.tif", RAMP.astype(np.uint16) * 257 + 100, np.dstack([RAMP] * 3)),
    ],
)
def test_every_depth_becomes_eight_bits_of_three_colours(
    tmp_path: Path, name: str, stored: np.ndarray, wanted: np.ndarray
) -> None:
    cv2.imwrite(str(tmp_path / name), stored)
    read = read_picture(tmp_path / name)
    assert read.dtype == np.uint8
    np.testing.assert_array_equal(read, wanted)


def test_a_turn_noted_in_the_file_is_not_applied(tmp_path: Path) -> None:
    """Exif orientation 6 (turn by a quarter; CIPA DC-008, 4.6.4 A) put into a JPEG by hand."""
    good, jpeg = cv2.imencode(".jpg", np.zeros((16, 32, 3), np.uint8))
    assert good
    tiff = struct.pack("<2sHIHHHIHHI", b"II", 42, 8, 1, 0x0112, 3, 1, 6, 0, 0)
    segment = b"Exif\0\0" + tiff
    app1 = b"\xff\xe1" + struct.pack(">H", len(segment) + 2) + segment
    (tmp_path / "turned.jpg").write_bytes(jpeg.tobytes()[:2] + app1 + jpeg.tobytes()[2:])
    turned = cv2.imread(str(tmp_path / "turned.jpg"))
    assert turned is not None
    assert turned.shape[:2] == (32, 16)  # the library would turn it
    assert read_picture(tmp_path / "turned.jpg").shape[:2] == (16, 32)


def test_a_turn_noted_in_a_tiff_is_not_applied(tmp_path: Path) -> None:
    (tmp_path / "turned.tif").write_bytes(tiff(32, 16, turn=6))
    read = read_picture(tmp_path / "turned.tif")
    assert np.argwhere(read[..., 0]).tolist() == [[0, 0]]


def test_the_four_inks_of_a_jpeg_become_colours(tmp_path: Path) -> None:
    """A CMYK JPEG of one colour, made with ImageMagick 6.9 (`convert -size 16x16 xc:red -colorspace CMYK`)."""
    (tmp_path / "inks.jpg").write_bytes(bytes.fromhex(INKS))
    read = read_picture(tmp_path / "inks.jpg")
    assert read.shape == (16, 16, 3)
    assert np.abs(read.astype(int) - [0, 0, 255]).max() <= 3


KINDS = [
    (".png", ()),
    (".jpg", ()),
    (".jpg", (cv2.IMWRITE_JPEG_PROGRESSIVE, 1)),
    (".tif", ()),
    (".bmp", ()),
    (".webp", (cv2.IMWRITE_WEBP_QUALITY, 80)),
    (".webp", (cv2.IMWRITE_WEBP_QUALITY, 101)),  # over 100: without loss, another head
]


def encoded(ending: str, how: tuple[int, ...] = ()) -> bytes:
    noise = np.random.default_rng(8).integers(0, 256, (37, 53, 3)).astype(np.uint8)
    good, data = cv2.imencode(ending, noise, how)
    assert good
    return data.tobytes()


@pytest.mark.parametrize(("ending", "how"), KINDS)
def test_the_stated_size_is_the_picture_s_own(ending: str, how: tuple[int, ...]) -> None:
    assert stated_size_px(encoded(ending, how)) == (53, 37)
    assert stated_size_px(encoded(ending, how)[:12]) is None


def readable(path: Path) -> bool:
    """Whether a file is a picture; what is none is refused in one line that says what to do."""
    try:
        pixels = read_picture(path)
    except PictureError as error:
        line = str(error)
        assert path.name in line
        assert "; " in line
        assert "\n" not in line
        return False
    assert pixels.dtype == np.uint8
    assert pixels.ndim == 3
    assert pixels.shape[2] == 3
    return True


@pytest.mark.parametrize(("ending", "how"), KINDS)
def test_a_picture_that_is_cut_short_is_refused(
    ending: str, how: tuple[int, ...], tmp_path: Path, capfd: pytest.CaptureFixture[str]
) -> None:
    whole, path = encoded(ending, how), tmp_path / f"cut{ending}"
    for share in (0.02, 0.3, 0.7, 0.95):
        path.write_bytes(whole[: int(share * len(whole))])
        assert not readable(path)
    path.write_bytes(whole)
    assert readable(path)
    assert capfd.readouterr().err == ""


@settings(max_examples=150, deadline=None)
@given(
    kind=st.sampled_from(KINDS),
    harm=st.lists(st.tuples(st.floats(0, 1, exclude_max=True), st.integers(0, 255)), min_size=1, max_size=12),
    head=st.booleans(),
)
def test_damaged_pictures_are_read_or_refused(
    kind: tuple[str, tuple[int, ...]],
    harm: list[tuple[float, int]],
    head: bool,
    tmp_path_factory: pytest.TempPathFactory,
) -> None:
    data = bytearray(encoded(*kind))
    for place, byte in harm:
        data[int(place * (120 if head else len(data)))] = byte
    path = tmp_path_factory.getbasetemp() / "damaged.png"
    path.write_bytes(data)
    readable(path)


@settings(max_examples=80, deadline=None)
@given(
    start=st.sampled_from([b"", b"\x89PNG\r\n\x1a\n", b"\xff\xd8\xff", b"II*\0", b"MM\0+", b"BM", b"RIFF0000WEBP"]),
    rest=st.binary(min_size=1, max_size=200),
)
def test_random_bytes_are_no_picture(start: bytes, rest: bytes, tmp_path_factory: pytest.TempPathFactory) -> None:
    path = tmp_path_factory.getbasetemp() / "random.png"
    path.write_bytes(start + rest)
    readable(path)


def tiff(width: int, height: int, turn: int = 1, stored: int | None = None) -> bytes:
    """An uncompressed TIFF (TIFF 6.0, section 2) of black with one white pixel at the upper left."""
    pixels = b"\xff\xff\xff" + bytes((width * height * 3 if stored is None else stored) - 3)
    entries = [(256, 4, width), (257, 4, height), (258, 3, 8), (259, 3, 1), (262, 3, 2), (273, 4, 8), (274, 3, turn)]
    entries += [(277, 3, 3), (278, 4, height), (279, 4, len(pixels))]
    directory = b"".join(struct.pack("<HHII", tag, kind, 1, value) for tag, kind, value in entries)
    head = struct.pack("<2sHI", b"II", 42, 8 + len(pixels))
    return head + pixels + struct.pack("<H", len(entries)) + directory + bytes(4)


def bigtiff(width: int, height: int) -> bytes:
    """A head in BigTIFF's form (libtiff's specification), its only directory behind it."""
    entries = [struct.pack("<HHQQ", tag, 4, 1, value) for tag, value in ((256, width), (257, height))]
    return struct.pack("<2sHHHQQ", b"II", 43, 8, 0, 16, len(entries)) + b"".join(entries) + bytes(8)


def giant_jpeg(width: int, height: int) -> bytes:
    frame = struct.pack(">BHHB", 8, height, width, 1) + b"\x01\x11\x00"
    return b"\xff\xd8\xff\xc0" + struct.pack(">H", len(frame) + 2) + frame


def giant_bmp(width: int, height: int) -> bytes:
    return b"BM" + struct.pack("<IIIIiiHH", 0, 0, 54, 40, width, -height, 1, 24) + bytes(24)


def giant_webp(width: int, height: int) -> bytes:
    sizes = (width - 1).to_bytes(3, "little") + (height - 1).to_bytes(3, "little")
    return b"RIFF" + bytes(4) + b"WEBPVP8X" + struct.pack("<I", 10) + bytes(4) + sizes


def giant_png(width: int, height: int) -> bytes:
    """A well-formed head that promises more than memory should be asked for."""
    head = b"IHDR" + struct.pack(">IIBBBBB", width, height, 8, 2, 0, 0, 0)
    return b"\x89PNG\r\n\x1a\n" + struct.pack(">I", 13) + head + struct.pack(">I", zlib.crc32(head))


@pytest.mark.parametrize(
    ("data", "says"),
    [
        (None, "cannot be read"),
        (b"", "empty"),
        (b"plain text", "no picture"),
        (b"\xff\xd8\xff\xe0 cut off", "no picture"),
        (b"\x89PNG\r\n\x1a\n", "no picture"),
        (giant_png(20000, 20000), "20000 x 20000"),
        (giant_jpeg(20000, 20001), "20000 x 20001"),
        (tiff(20000, 20002, stored=3), "20000 x 20002"),
        (bigtiff(20000, 20003), "20000 x 20003"),
        (giant_bmp(20000, 20004), "20000 x 20004"),
        (giant_webp(16000, 15000), "16000 x 15000"),
        (b"P6 4 4 255\n" + bytes(48), "no picture"),  # a kind of file that states no size here: it may be a giant
    ],
)
def test_what_is_no_usable_picture_is_refused_in_one_line(
    tmp_path: Path, data: bytes | None, says: str, capfd: pytest.CaptureFixture[str]
) -> None:
    if data is not None:
        (tmp_path / "x.png").write_bytes(data)
    with pytest.raises(PictureError, match=says) as error:
        read_picture(tmp_path / "x.png")
    assert "x.png" in str(error.value)
    assert "\n" not in str(error.value)
    assert capfd.readouterr().err == ""


def test_a_floating_point_picture_is_refused(tmp_path: Path) -> None:
    cv2.imwrite(str(tmp_path / "light.tiff"), np.zeros((4, 4, 3), np.float32))
    with pytest.raises(PictureError, match=r"light\.tiff"):
        read_picture(tmp_path / "light.tiff")
