"""Ctrl-C and SIGTERM as requests, and held back while files are written."""

from __future__ import annotations

import signal
import threading

import pytest

from matcher.interrupts import StopRequest, hold_interrupts


@pytest.mark.parametrize(
    ("number", "status"), [(signal.SIGINT, 130), (signal.SIGTERM, 143)], ids=["Ctrl-C", "TERM"]
)
def test_a_signal_becomes_a_request(number: int, status: int) -> None:
    """The first signal raises nothing; the request is there to be asked for."""
    heard: list[bool] = []
    with StopRequest(lambda: heard.append(True)) as request:
        assert (request(), request.exit_status) == (False, 0)
        signal.raise_signal(number)
        assert (request(), request.exit_status) == (True, status)
        signal.raise_signal(number)
    assert heard == [True]


def test_the_third_signal_is_meant() -> None:
    """Work that hangs can be left by pressing Ctrl-C again and again."""
    with StopRequest() as request:
        request()
        signal.raise_signal(signal.SIGINT)
        signal.raise_signal(signal.SIGINT)
        with pytest.raises(KeyboardInterrupt):
            signal.raise_signal(signal.SIGINT)


def test_a_signal_before_anybody_asks_ends_the_work() -> None:
    """Nothing was found yet that could be kept: compiling isn't waited for."""
    with StopRequest(), pytest.raises(KeyboardInterrupt):
        signal.raise_signal(signal.SIGINT)


def test_another_thread_presses_ctrl_c() -> None:
    """A stop of the page reaches work that asks for none, such as compiling."""

    def wait_for_it() -> None:
        thread = threading.Thread(target=StopRequest.press)
        thread.start()
        thread.join()
        # Handlers run between two steps of the main thread.
        threading.Event().wait(60)

    with StopRequest(), pytest.raises(KeyboardInterrupt):
        wait_for_it()


def test_handlers_are_given_back() -> None:
    """After the block signals do what they did before."""
    before = [signal.getsignal(number) for number in (signal.SIGINT, signal.SIGTERM)]
    with StopRequest(), hold_interrupts():
        assert signal.getsignal(signal.SIGINT) not in before
    assert [signal.getsignal(number) for number in (signal.SIGINT, signal.SIGTERM)] == before


def test_held_signals_come_through_at_the_end() -> None:
    """The block runs to its end; then Ctrl-C raises as ever."""
    done: list[str] = []

    def write() -> None:
        with hold_interrupts():
            signal.raise_signal(signal.SIGINT)
            done.append("written")

    with pytest.raises(KeyboardInterrupt):
        write()
    assert done == ["written"]


def test_a_held_signal_reaches_an_outer_request() -> None:
    """Writing within a match: the request hears of Ctrl-C afterwards, and nothing is raised."""
    with StopRequest() as request:
        request()
        with hold_interrupts():
            signal.raise_signal(signal.SIGINT)
            assert not request()
        assert request()


def test_other_threads_are_left_alone() -> None:
    """Python sets handlers in the main thread only; elsewhere both just run their block."""
    results: list[bool] = []

    def work() -> None:
        with StopRequest() as request, hold_interrupts():
            results.append(request())

    thread = threading.Thread(target=work)
    thread.start()
    thread.join()
    assert results == [False]
