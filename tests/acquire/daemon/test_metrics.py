"""The figures, read by the reference parser of OpenMetrics (prometheus_client)."""

from __future__ import annotations

import pytest
from prometheus_client.openmetrics.parser import text_string_to_metric_families

from acquire.daemon import metrics
from acquire.daemon.queue import Submission
from acquire.daemon.server import ApiServer


@pytest.fixture
def busy(queue):
    """A queue with a run in every state but parked, and a gate that waits."""
    ids = [queue.submit(Submission("a.yaml", "text", f"bench{n}")).id for n in range(4)]
    queue.claim(["bench0"])
    queue.finish(ids[0], 3, path=None, document=None, reason="")
    queue.claim(["bench1"])
    queue.open_gate(ids[1], "bare", "do it", [])
    queue.cancel(ids[2], "me")
    queue.beat()
    return queue


def read(text):
    return {
        (sample.name, *sample.labels.values()): sample.value
        for family in text_string_to_metric_families(text)
        for sample in family.samples
    }


def test_every_figure_is_what_the_queue_holds(busy):
    found = read(metrics.text(busy, listeners=5, cut_off=2))

    for state, count in {
        "queued": 1,
        "running": 1,
        "parked": 0,
        "finished": 1,
        "cancelled": 1,
    }.items():
        assert found["floorshot_runs", state] == count
    assert found["floorshot_runs_ended", "3"] == 1
    assert found["floorshot_gates_waiting",] == 1
    assert found["floorshot_queue_capacity",] == 10_000
    assert found["floorshot_events_total",] == busy.last_event()
    assert found["floorshot_last_beat_seconds",] == pytest.approx(busy.last_beat()[1], abs=0.01)
    assert found["floorshot_listeners",] == 5
    assert found["floorshot_listeners_cut_off_total",] == 2


def test_both_places_say_what_they_send(folder, ask_unix):
    with ApiServer(folder):
        for path in ("/metrics", "/api/v1/metrics"):
            answer = ask_unix(folder, "GET", path)
            assert answer.headers["Content-Type"] == metrics.MEDIA_TYPE
            assert read(answer.text)["floorshot_runs", "queued"] == 0
