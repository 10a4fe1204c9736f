"""Signals that wait until something is finished."""

from __future__ import annotations

import os
import signal
import threading
from collections.abc import Iterator

import pytest

from timingcam.showing.holding import WAITING, signals_wait


@pytest.fixture(autouse=True)
def _heard() -> Iterator[None]:
    """Tests that a script runs in its background are born with Ctrl-C ignored."""
    before = signal.signal(signal.SIGINT, signal.default_int_handler)
    yield
    signal.signal(signal.SIGINT, before)


def ctrl_c() -> None:
    os.kill(os.getpid(), signal.SIGINT)


def handlers() -> list[object]:
    return [signal.getsignal(one) for one in WAITING]


def test_what_was_asked_meanwhile_is_done_at_the_end() -> None:
    before, done = handlers(), []
    with pytest.raises(KeyboardInterrupt), signals_wait():
        ctrl_c()
        ctrl_c()
        done.append("all of it")
    assert done == ["all of it"]
    assert handlers() == before


def test_a_stretch_that_lets_through() -> None:
    before, done = handlers(), []
    with pytest.raises(KeyboardInterrupt), signals_wait() as hold:
        try:
            with hold.let_through():
                assert handlers() == before
                ctrl_c()
                done.append("never")
        finally:
            with pytest.raises(KeyboardInterrupt), hold.let_through():
                ctrl_c()  # a second one, while the first is being seen to
            done.append("undone")
    assert done == ["undone"]
    assert handlers() == before


def test_what_waited_comes_first_where_it_is_let_through() -> None:
    done = []
    with pytest.raises(KeyboardInterrupt), signals_wait() as hold:
        ctrl_c()
        done.append("before")
        with hold.let_through():
            done.append("never")
    assert done == ["before"]


def test_nothing_asked_nothing_done() -> None:
    before = handlers()
    with signals_wait() as hold, hold.let_through():
        pass
    assert handlers() == before


def test_what_was_ignored_stays_ignored() -> None:
    old = signal.signal(signal.SIGTERM, signal.SIG_IGN)
    try:
        with signals_wait():
            os.kill(os.getpid(), signal.SIGTERM)
        assert signal.getsignal(signal.SIGTERM) is signal.SIG_IGN
    finally:
        signal.signal(signal.SIGTERM, old)


def test_another_thread_changes_nothing() -> None:
    before, seen = handlers(), []

    def within() -> None:
        with signals_wait():
            seen.append(handlers())

    thread = threading.Thread(target=within)
    thread.start()
    thread.join()
    assert seen == [before]
