"""Every kind of source gives its frames; every bad one is refused in one line."""

from __future__ import annotations

import time
from pathlib import Path

import cv2
import numpy as np
import pytest
from numpy.typing import NDArray

from tests.whole.streaming import Stream
from vision.frames.cameras import Camera, CameraError, NoMoreFramesError, open_camera


class SteppingClock:
    """Each look at it is a little later."""

    def __init__(self, step_s: float = 0.001) -> None:
        self._t_s, self._step_s = 0.0, step_s

    def now_s(self) -> float:
        self._t_s += self._step_s
        return self._t_s


class RealClock:
    def now_s(self) -> float:
        return time.monotonic()


def plain(value: int, size: tuple[int, int] = (48, 64)) -> NDArray[np.uint8]:
    return np.full((*size, 3), value, np.uint8)


def levels(source: str, n: int) -> list[int]:
    camera = open_camera(source, SteppingClock())
    found = [round(float(camera.read().pixels.mean())) for _ in range(n)]
    with pytest.raises(NoMoreFramesError, match="4"):
        camera.read()
    camera.close()
    return found


def one_line(error: pytest.ExceptionInfo[Exception]) -> str:
    text = str(error.value)
    assert text
    assert "\n" not in text
    return text


def test_a_folder_gives_its_pictures_by_name_and_a_second_apart(tmp_path: Path) -> None:
    for name, value in [("b.png", 20), ("a.jpg", 10), ("d.TIF", 40), ("c.tiff", 30)]:
        cv2.imwrite(str(tmp_path / name), plain(value))
    (tmp_path / "notes.txt").write_text("not a picture")
    assert levels(str(tmp_path), 4) == [10, 20, 30, 40]
    camera = open_camera(str(tmp_path), SteppingClock())
    first, second = camera.read(), camera.read()
    assert (first.name, second.name) == ("a.jpg", "b.png")
    assert second.t_s - first.t_s == pytest.approx(1.0)


def test_an_image_sequence_gives_every_frame_in_order(tmp_path: Path) -> None:
    for n in range(4):
        cv2.imwrite(str(tmp_path / f"shot_{n:03d}.png"), plain(50 * n + 5))
    assert levels(str(tmp_path / "shot_%03d.png"), 4) == [5, 55, 105, 155]


def test_a_video_gives_every_frame_in_order_at_its_own_pace(tmp_path: Path) -> None:
    path = str(tmp_path / "film.avi")
    writer = cv2.VideoWriter(path, cv2.VideoWriter.fourcc(*"MJPG"), 10.0, (64, 48))
    for n in range(4):
        writer.write(plain(50 * n + 20))
    writer.release()
    assert levels(path, 4) == pytest.approx([20, 70, 120, 170], abs=2)
    camera = open_camera(path, SteppingClock())
    t_s = [camera.read().t_s for _ in range(3)]
    assert np.diff(t_s) == pytest.approx(0.1)


def test_one_bad_picture_in_a_folder_is_named_and_the_next_is_read(tmp_path: Path) -> None:
    (tmp_path / "a.png").write_bytes(b"no picture at all")
    cv2.imwrite(str(tmp_path / "b.png"), plain(77))
    camera = open_camera(str(tmp_path), SteppingClock())
    with pytest.raises(CameraError, match=r"a\.png") as error:
        camera.read()
    one_line(error)
    assert camera.read().pixels.mean() == 77


@pytest.mark.parametrize(
    "source",
    ["97", "/dev/video97", "nowhere.avi", "nowhere_%03d.png", "http://127.0.0.1:9/", "rtsp://127.0.0.1:9/"],
)
def test_a_source_that_is_not_there_is_refused_in_one_line(
    source: str, tmp_path: Path, monkeypatch: pytest.MonkeyPatch, capfd: pytest.CaptureFixture[str]
) -> None:
    monkeypatch.chdir(tmp_path)
    with pytest.raises(CameraError) as error:
        open_camera(source, SteppingClock())
    assert source in one_line(error)
    assert capfd.readouterr().err == ""  # OpenCV keeps its own warnings to itself


def test_a_file_that_is_no_film_and_an_empty_folder_are_refused(
    tmp_path: Path, capfd: pytest.CaptureFixture[str]
) -> None:
    (tmp_path / "film.mp4").write_bytes(bytes(range(256)) * 40)
    with pytest.raises(CameraError, match=r"film\.mp4") as error:
        open_camera(str(tmp_path / "film.mp4"), SteppingClock())
    one_line(error)
    (tmp_path / "empty").mkdir()
    with pytest.raises(CameraError, match="no pictures") as error:
        open_camera(str(tmp_path / "empty"), SteppingClock())
    one_line(error)
    assert capfd.readouterr().err == ""


def numbered(began_s: float) -> NDArray[np.uint8]:
    """A picture whose grey tells when it was taken: 40 levels a second."""
    return plain(round((time.monotonic() - began_s) * 40) % 256, (720, 1280))


def test_a_stream_gives_no_stale_frame_however_slow_the_reader_is() -> None:
    began_s = time.monotonic()
    stream = Stream(lambda: numbered(began_s), rate_hz=30.0)
    camera = open_camera(stream.address, RealClock())
    try:
        for pause_s in (0.0, 0.5, 0.0, 0.3):
            time.sleep(pause_s)
            frame = camera.read()
            levels_old = (frame.t_s - began_s) * 40 - frame.pixels.mean()
            age_s = ((levels_old + 128) % 256 - 128) / 40
            assert abs(age_s) < 0.25  # a backlog of the pause, or of opening, would be older
            assert frame.name is None
    finally:
        camera.close()
        stream.close()


def test_a_stream_that_breaks_is_told_in_one_line(capfd: pytest.CaptureFixture[str]) -> None:
    stream = Stream(lambda: plain(90), rate_hz=30.0)
    camera = open_camera(stream.address, RealClock())
    stream.close()
    with pytest.raises(CameraError, match=r"http://127\.0\.0\.1") as error:
        last_frames(camera)
    one_line(error)
    camera.close()
    assert capfd.readouterr().err == ""


def last_frames(camera: Camera) -> None:
    for _ in range(100):
        camera.read()
