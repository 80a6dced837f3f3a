"""Work beside the loop: in a thread, or at once where time stands still."""

from __future__ import annotations

import threading
from collections.abc import Iterator

import pytest

from projector.seeing.beside import AtOnce, InThread, Worker


@pytest.fixture(params=[AtOnce, InThread])
def worker(request: pytest.FixtureRequest) -> Iterator[Worker]:
    if request.param is AtOnce:
        yield AtOnce()
        return
    with InThread() as one:
        yield one


def test_what_came_of_it_is_handed_over(worker: Worker) -> None:
    work = worker.begin(lambda: 6 * 7)
    assert work.result() == 42
    assert work.done()


def test_what_went_wrong_is_raised_where_the_result_is_asked_for(worker: Worker) -> None:
    def fails() -> int:
        raise ValueError("no")

    work = worker.begin(fails)
    with pytest.raises(ValueError, match="no"):
        work.result()


def test_the_loop_goes_on_while_a_thread_works() -> None:
    let_go = threading.Event()
    with InThread() as worker:
        work = worker.begin(lambda: let_go.wait(60.0))
        assert not work.done()  # and we are here
        let_go.set()
        assert work.result()
