"""Where frames come from: with `vision.frames.drivers`, its settings, all of `vision` that touches a device.

A camera is whatever `cv2.VideoCapture` opens (device index, video file, MJPEG address, image sequence) or a
folder of stills.
"""

from __future__ import annotations

import os
import threading
from collections.abc import Callable
from dataclasses import dataclass
from pathlib import Path
from queue import Empty, SimpleQueue
from typing import Protocol, TypeVar

import cv2
import numpy as np
from numpy.typing import NDArray

from vision.frames.drivers import Adjustable as Adjustable
from vision.frames.drivers import Automatic as Automatic
from vision.frames.drivers import Driver
from vision.frames.drivers import Knob as Knob
from vision.frames.drivers import switch_off_automatics as switch_off_automatics
from vision.frames.pictures import PictureError, read_picture

T = TypeVar("T")

STREAMS = ("http://", "https://", "rtsp://", "udp://", "tcp://")
PICTURE_ENDINGS = frozenset({".jpg", ".jpeg", ".png", ".tif", ".tiff"})
WARM_UP_S = 1.0  # what was buffered while a live camera was opened is old; its exposure settles meanwhile
PATIENCE_S = 10.0  # a live camera that is silent for so long is gone
HICCUPS, HICCUP_S = 10, 0.05
RECORDED_PACE_S = 1.0 / 30.0
WANTED_SIZE_PX = (1920, 1080)  # most webcams give 640 x 480 unless asked


@dataclass(frozen=True, eq=False, slots=True)
class Frame:
    """One picture as the camera encoded it."""

    pixels: NDArray[np.uint8]  # (height, width, 3), blue green red, tone curve not undone
    t_s: float  # when it was taken, by the camera's clock
    name: str | None = None  # file it came from; None from a live camera


class CameraError(Exception):
    """No picture can be had; the message says in one line what to do."""


class NoMoreFramesError(CameraError):
    """A recording or a folder has come to its end."""


class Camera(Protocol):
    """Gives frames, one after the other."""

    def read(self) -> Frame:
        """Wait for the next frame. Raises CameraError when there are no more."""
        ...

    def close(self) -> None:
        """Let the device go."""
        ...


class Watch(Protocol):
    """The part of a clock that a camera needs."""

    def now_s(self) -> float: ...


def open_camera(source: str, clock: Watch) -> Camera:
    """Open what `source` names: "0", an address, a video, a sequence ("shot_%03d.png") or a folder of stills.

    Live cameras never give a stale frame; recordings and folders give every frame, in order. Raises
    CameraError.
    """
    _silence_opencv()
    if source.isdecimal() or source.startswith("/dev/"):
        return DeviceCamera(_live_capture(source), _spoken(source), clock)
    if source.startswith(STREAMS):
        return LiveCamera(_live_capture(source), _spoken(source), clock)
    path = Path(source)
    if path.is_dir():
        return Stills(pictures_in(path), source, clock)
    if not path.exists() and "%" not in source:
        raise CameraError(f"{source}: no such camera, file or folder; give a number (0), an address or a path")
    return Recording(_recorded_capture(source), source, clock)


class LiveCamera:
    """A device or a stream, kept drained by a thread; `read` gets the first frame to arrive from then on."""

    def __init__(self, capture: cv2.VideoCapture, spoken: str, clock: Watch) -> None:
        self._capture, self._spoken, self._clock = capture, spoken, clock
        self._asked, self._answered = threading.Event(), threading.Event()
        self._stop, self._ended = threading.Event(), threading.Event()
        self._frame: Frame | None = None
        self._orders: SimpleQueue[Callable[[], None]] = SimpleQueue()
        self._thread = threading.Thread(target=self._drain, name="camera", daemon=True)
        self._thread.start()
        self._frames_before_use()

    def read(self) -> Frame:
        self._answered.clear()
        self._asked.set()
        if self._ended.is_set() or not self._answered.wait(PATIENCE_S) or self._frame is None:
            raise CameraError(f"{self._spoken} gives no more pictures; check its cable or server, then start again")
        frame, self._frame = self._frame, None
        return frame

    def close(self) -> None:
        self._stop.set()
        self._thread.join(timeout=2.0)

    def on_the_thread(self, work: Callable[[], T]) -> T | None:
        """Let the thread that owns the capture do something between two frames; None if it does not get to it."""
        if self._ended.is_set():
            return None
        done: SimpleQueue[T] = SimpleQueue()
        self._orders.put(lambda: done.put(work()))
        try:
            return done.get(timeout=PATIENCE_S)
        except Empty:
            return None

    def _frames_before_use(self) -> None:
        """Let the backlog of opening pass: at least a second, and at least one frame."""
        try:
            opened_s = self.read().t_s
            while self.read().t_s < opened_s + WARM_UP_S:
                pass
        except CameraError:
            self.close()
            raise

    def _drain(self) -> None:
        """The thread's work: grab everything, decode only what somebody waits for."""
        while not self._stop.is_set() and self._grabbed():
            arrived_s = self._clock.now_s()
            while not self._orders.empty():
                self._orders.get()()
            if self._asked.is_set():
                good, pixels = self._capture.retrieve()
                if good:
                    self._asked.clear()
                    self._frame = Frame(_as_bgr(pixels), arrived_s)
                    self._answered.set()
        self._capture.release()
        self._ended.set()
        self._answered.set()  # whoever waits learns that there is no frame

    def _grabbed(self) -> bool:
        """Take the next frame from the device; a short hiccup is not the end."""
        return any(self._capture.grab() or self._stop.wait(HICCUP_S) for _ in range(HICCUPS))


class DeviceCamera(LiveCamera):
    """A camera at this computer: it has settings. Frames may need some tenths of a second to follow them."""

    def __init__(self, capture: cv2.VideoCapture, spoken: str, clock: Watch) -> None:
        self._driver = Driver(capture)
        super().__init__(capture, spoken, clock)

    def hold(self, what: Automatic) -> bool:
        return bool(self.on_the_thread(lambda: self._driver.hold(what)))

    def turn(self, knob: Knob, value: float) -> float | None:
        return self.on_the_thread(lambda: self._driver.turn(knob, value))

    def at(self, knob: Knob) -> float | None:
        return self.on_the_thread(lambda: self._driver.at(knob))


class Recording:
    """A video file or an image sequence: every frame in order, never faster than it was filmed."""

    def __init__(self, capture: cv2.VideoCapture, source: str, clock: Watch) -> None:
        self._capture, self._source, self._clock = capture, source, clock
        rate = capture.get(cv2.CAP_PROP_FPS)
        many = capture.get(cv2.CAP_PROP_FRAME_COUNT)
        self.frames = int(many) if many > 0 else None  # as many as the file says it has
        self._pace_s = 1.0 / rate if 1.0 <= rate <= 1000.0 else RECORDED_PACE_S
        self._count, self._t_s = 0, -np.inf

    def read(self) -> Frame:
        good, pixels = self._capture.read()
        if not good:
            raise NoMoreFramesError(f"{self._source} has ended after {self._count} frames; give a longer one")
        self._count += 1
        self._t_s = max(self._clock.now_s(), self._t_s + self._pace_s)
        return Frame(_as_bgr(pixels), self._t_s, Path(self._source).name)

    def close(self) -> None:
        self._capture.release()


class Stills:
    """Pictures from files, in the order given, a second apart or slower.

    A file that is no picture raises CameraError once, in its turn; the next `read` goes on behind it.
    """

    def __init__(self, paths: list[Path], spoken: str, clock: Watch) -> None:
        self._paths, self._spoken, self._clock = paths, spoken, clock
        self._count, self._t_s = 0, -np.inf

    def read(self) -> Frame:
        if self._count == len(self._paths):
            raise NoMoreFramesError(f"{self._spoken}: all {self._count} pictures are used; put more into it")
        path = self._paths[self._count]
        self._count += 1
        self._t_s = max(self._clock.now_s(), self._t_s + 1.0)
        try:
            return Frame(read_picture(path), self._t_s, path.name)
        except PictureError as error:
            raise CameraError(str(error)) from error

    def close(self) -> None:
        self._count = len(self._paths)


def _spoken(source: str) -> str:
    return f"the stream {source}" if source.startswith(STREAMS) else f"camera {source}"


def _live_capture(source: str) -> cv2.VideoCapture:
    if source.startswith(STREAMS):
        waits = [cv2.CAP_PROP_OPEN_TIMEOUT_MSEC, cv2.CAP_PROP_READ_TIMEOUT_MSEC]
        patience = [item for wait in waits for item in (wait, int(PATIENCE_S * 1000))]
        capture = cv2.VideoCapture(source, cv2.CAP_FFMPEG, patience)
        remedy = "check the address and that its server runs"
    else:
        capture = cv2.VideoCapture(int(source) if source.isdecimal() else source)
        capture.set(cv2.CAP_PROP_FOURCC, cv2.VideoWriter.fourcc(*"MJPG"))  # full size at full rate over USB 2
        capture.set(cv2.CAP_PROP_FRAME_WIDTH, WANTED_SIZE_PX[0])
        capture.set(cv2.CAP_PROP_FRAME_HEIGHT, WANTED_SIZE_PX[1])
        capture.set(cv2.CAP_PROP_BUFFERSIZE, 1)
        remedy = "plug it in, close other programs that use it, or give another number"
    if not capture.isOpened():
        raise CameraError(f"{_spoken(source)} does not open; {remedy}")
    return capture


def _recorded_capture(source: str) -> cv2.VideoCapture:
    capture = cv2.VideoCapture(source)
    if not capture.isOpened():
        raise CameraError(
            f"{source} is no video or image sequence that OpenCV reads; give an mp4, avi or shot_%03d.png"
        )
    return capture


def pictures_in(folder: Path) -> list[Path]:
    """The stills of a folder by name, at least one. Raises CameraError."""
    paths = sorted(p for p in folder.iterdir() if p.suffix.lower() in PICTURE_ENDINGS)
    if not paths:
        raise CameraError(f"{folder} holds no pictures; put .jpg, .png or .tif files into it")
    return paths


def _as_bgr(pixels: NDArray[np.generic]) -> NDArray[np.uint8]:
    """Some captures give grey frames."""
    picture = np.asarray(pixels, np.uint8)
    return picture if picture.ndim == 3 else np.repeat(picture[..., None], 3, axis=2)


def _silence_opencv() -> None:
    """OpenCV and FFmpeg write warnings to standard error; the person gets our one line instead."""
    os.environ.setdefault("OPENCV_FFMPEG_LOGLEVEL", "-8")  # AV_LOG_QUIET, read when FFmpeg is first used
    quiet = getattr(cv2, "setLogLevel", None) or cv2.utils.logging.setLogLevel  # its place moved with OpenCV 5
    quiet(0)
