"""Pictures of every depth and kind come as 8-bit blue green red; what is no picture is refused."""

from __future__ import annotations

import struct
import zlib
from pathlib import Path

import cv2
import numpy as np
import pytest

from vision.pictures import PictureError, read_picture, stated_size_px

RAMP = np.arange(5 * 7, dtype=np.uint8).reshape(5, 7) * 7
COLOUR = np.dstack([RAMP, 255 - RAMP, RAMP // 2])


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


@pytest.mark.parametrize("ending", [".png", ".jpg"])
def test_the_stated_size_is_the_picture_s_own(ending: str) -> None:
    good, data = cv2.imencode(ending, np.zeros((37, 53, 3), np.uint8))
    assert good
    assert stated_size_px(data.tobytes()) == (53, 37)


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
