"""A worker that died between the run file and the queue: its successor measures nothing again."""

from acquire.daemon.queue import Submission
from acquire.daemon.worker import QueueGate, _measure
from acquire.run.stop import StopFlag


def test_a_run_whose_file_stands_is_not_measured_again(folder, bench, queue, recipe_text):
    queue.submit(Submission("short.yaml", recipe_text, "tunnel"))
    run = queue.claim(["tunnel"])
    stop = StopFlag()
    gate = QueueGate(queue, run.id, 5.0, stop)

    first = _measure(folder, queue, queue.run(run.id), gate, stop)
    armings = bench.scope.acquisition.arms
    again = _measure(folder, queue, queue.run(run.id), gate, stop)

    assert again.path == first.path
    assert again.document_json == first.document_json
    assert bench.scope.acquisition.arms == armings
    assert list(folder.runs.iterdir()) == [first.path]
