"""A call that never returns ends for its caller; nothing it makes later is lost or mixed up."""

from __future__ import annotations

import threading

import pytest

from drivers.watchdog import OverdueError, Watchdog


@pytest.fixture
def watchdog():
    dog = Watchdog("test")
    yield dog
    dog.stop()


def test_results_and_exceptions_come_through_in_order(watchdog):
    assert [watchdog.call(lambda n=n: n * 2, 5) for n in range(5)] == [0, 2, 4, 6, 8]
    with pytest.raises(KeyError, match="gone"):
        watchdog.call(lambda: {}["gone"], 5)
    assert watchdog.call(lambda: "after", 5) == "after"


def test_calls_run_in_one_other_thread(watchdog):
    names = {watchdog.call(lambda: threading.current_thread().name, 5) for _ in range(3)}
    assert names == {"test"}


def test_overdue_call_is_abandoned_and_its_late_result_discarded(watchdog):
    go, discarded = threading.Event(), threading.Event()
    kept = []

    def late():
        go.wait(10)
        return "late"

    def discard(result):
        kept.append(result)
        discarded.set()

    with pytest.raises(OverdueError):
        watchdog.call(late, 0.05, discard)
    with pytest.raises(OverdueError):
        watchdog.call(lambda: 1, 5)
    go.set()
    assert discarded.wait(5)
    assert kept == ["late"]


def test_late_failure_is_nobodys_business(watchdog):
    go, ended = threading.Event(), threading.Event()
    discards = []

    def late():
        go.wait(10)
        ended.set()
        raise RuntimeError

    with pytest.raises(OverdueError):
        watchdog.call(late, 0.05, discards.append)
    go.set()
    assert ended.wait(5)
    watchdog._thread.join(5)
    assert not watchdog._thread.is_alive()
    assert discards == []


def test_stop_ends_the_thread(watchdog):
    watchdog.stop()
    watchdog._thread.join(5)
    assert not watchdog._thread.is_alive()
    with pytest.raises(OverdueError):
        watchdog.call(lambda: 1, 1)


def test_a_call_may_prolong_itself(watchdog):
    def slow():
        watchdog.prolong(5)
        threading.Event().wait(0.3)
        return "done"

    assert watchdog.call(slow, 0.1) == "done"


def test_prolonged_calls_end_too(watchdog):
    def hung():
        watchdog.prolong(0.2)
        threading.Event().wait(2)

    with pytest.raises(OverdueError):
        watchdog.call(hung, 0.05)
