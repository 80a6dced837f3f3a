"""Work done beside the light: the loop begins it, goes on drawing and watching, and asks for it now and then."""

from __future__ import annotations

from collections.abc import Callable
from concurrent.futures import Future, ThreadPoolExecutor
from typing import Any, Protocol, Self, TypeVar

T = TypeVar("T")
Done = TypeVar("Done", covariant=True)


class Work(Protocol[Done]):
    """Something that was begun."""

    def done(self) -> bool: ...

    def result(self) -> Done:
        """What came of it, or the exception that ended it. Waits where it is not done."""
        ...


class Worker(Protocol):
    """Does one thing after the other beside the loop."""

    def begin(self, do: Callable[[], T]) -> Work[T]: ...


class InThread:
    """A thread of its own: NumPy and OpenCV let the loop go on while they work."""

    def __init__(self) -> None:
        self._pool = ThreadPoolExecutor(1, "measuring")

    def begin(self, do: Callable[[], T]) -> Future[T]:
        return self._pool.submit(do)

    def __enter__(self) -> Self:
        return self

    def __exit__(self, *_: object) -> None:
        """What has not begun is dropped; what is at work is waited for."""
        self._pool.shutdown(cancel_futures=True)


class AtOnce:
    """Done when it is begun: in a world whose time stands still meanwhile."""

    def begin(self, do: Callable[[], T]) -> Future[T]:
        work: Future[Any] = Future()
        try:
            work.set_result(do())
        except Exception as error:  # as the pool does: whoever asks for the result gets it
            work.set_exception(error)
        return work
