"""The Python client against a served state folder: the names and errors of the commands."""

from __future__ import annotations

import http.server
import threading

import pandas as pd
import pytest

from acquire.daemon.client import Client, rows
from acquire.daemon.server import ApiServer
from acquire.errors import BadInputError, DamagedFileError, RefusedError
from acquire.runfile import verify


@pytest.fixture
def client(folder, bench):
    with ApiServer(folder), Client.of_state(folder.root) as one:
        yield one


def test_a_run_goes_through_queue_cancel_and_history(client, recipe_text):
    run = client.submit("tunnel", recipe_text=recipe_text, recipe="short.yaml", priority=3)

    assert [one["id"] for one in client.queue()] == [run["id"]]
    assert client.run(run["id"])["recipe_text"] == recipe_text
    assert client.cancel(run["id"], "R. Field") == {"id": run["id"], "state": "cancelled"}
    assert client.queue() == []
    assert client.history()[0]["reason"] == "cancelled by R. Field"


def test_a_schedule_is_stored_and_ended(client, recipe_text):
    added = client.submit("tunnel", recipe_text=recipe_text, every="6 h", count=3, zone="UTC")

    assert (added["kind"], added["rule"], added["remaining"]) == ("every", "21600", 3)
    assert [one["id"] for one in client.schedules()] == [added["id"]]
    client.end_schedule(added["id"])
    assert client.schedules() == []


def test_mistakes_of_a_recipe_are_the_errors_of_the_commands(client):
    with pytest.raises(BadInputError) as caught:
        client.submit("tunnel", recipe_text="floorshot_recipe: 1\ntitle: [1]\n", recipe="mine.yaml")

    assert caught.value.problems
    assert {problem.file for problem in caught.value.problems} == {"mine.yaml"}
    assert any(problem.line == 2 for problem in caught.value.problems)


def test_what_is_not_there_is_said_in_words(client):
    with pytest.raises(BadInputError, match="run 99: there is no such run"):
        client.run(99)
    with pytest.raises(BadInputError, match="schedule 99: there is no such schedule"):
        client.end_schedule(99)


def test_a_gate_is_confirmed_by_its_name_only(client, queue, recipe_text):
    number = client.submit("by_hand", recipe_text=recipe_text)["id"]
    queue.claim(["by_hand"])
    queue.open_gate(number, "bare", "take the candidate out", ["isolate first"])

    assert client.run(number)["gate"]["cautions"] == ["isolate first"]
    with pytest.raises(BadInputError, match="waits for 'bare', not for 'damped_choke'"):
        client.confirm(number, "damped_choke", "R. Field")
    assert queue.gate(number).confirmed_at is None
    assert client.confirm(number, "bare", "R. Field")["confirmed_by"] == "R. Field"
    assert queue.gate(number).confirmed_by == "R. Field"


def test_a_parked_run_goes_on(client, queue, recipe_text):
    number = client.submit("tunnel", recipe_text=recipe_text)["id"]
    with pytest.raises(BadInputError, match="only a parked run"):
        client.resume(number, "R. Field")
    queue.claim(["tunnel"])
    queue.park(number, "instrument fault: link lost")

    assert client.resume(number, "R. Field")["state"] == "queued"


def test_without_a_daemon_the_client_says_so(folder):
    with Client.of_state(folder.root) as client, pytest.raises(RefusedError, match="no daemon"):
        client.queue()
    with pytest.raises(BadInputError, match="unix:PATH"):
        Client("ftp://elsewhere").queue()


def test_a_daemon_that_was_restarted_is_asked_again(folder, bench):
    with Client.of_state(folder.root) as client:
        for _ in range(2):
            with ApiServer(folder):
                assert client.queue() == []


def test_watching_goes_on_across_a_restart_without_a_gap(folder, queue):
    seen, enough = [], threading.Event()

    def follow():
        with Client.of_state(folder.root) as client:
            for event in client.watch(after=0):
                seen.append((event["id"], event["name"]))
                if event["name"] == "last":
                    enough.set()
                    return

    with ApiServer(folder):
        listener = threading.Thread(target=follow)
        listener.start()
        first = queue.tell("first")
    second = queue.tell("while_away")
    with ApiServer(folder):
        last = queue.tell("last")
        assert enough.wait(30)
        listener.join(10)

    assert seen == [(first, "first"), (second, "while_away"), (last, "last")]


def test_waiting_ends_with_the_run_or_in_time(client, queue, recipe_text):
    number = client.submit("tunnel", recipe_text=recipe_text)["id"]
    with pytest.raises(TimeoutError, match="still queued"):
        client.wait(number, timeout=0.1)
    queue.cancel(number, "R. Field")

    assert client.wait(number, timeout=5)["state"] == "cancelled"


def served_file(change):
    """Serve one changed run file over TCP; give its address. What HTTP says of its length stays."""

    class Handler(http.server.BaseHTTPRequestHandler):
        def do_GET(self):
            length, content = change
            self.send_response(200)
            self.send_header("Content-Length", str(length))
            self.end_headers()
            self.wfile.write(content)

        def log_message(self, *_words):
            pass

    return http.server.HTTPServer(("127.0.0.1", 0), Handler)


@pytest.mark.parametrize("broken", ["short", "changed", "nothing of ours"])
def test_a_run_file_that_does_not_come_whole_is_not_saved(measured, tmp_path, broken):
    content = bytearray(next(measured.runs.glob("*.h5")).read_bytes())
    length = len(content)
    if broken == "short":
        del content[-1000:]
    elif broken == "changed":
        place = content.index(b"floorshot-run\0") + 3
        content[place] ^= 1
    else:
        content[:] = b"x" * length
    error = RefusedError if broken == "short" else DamagedFileError
    words = "did not come" if broken == "short" else "not saved"

    with served_file((length, content)) as server:
        thread = threading.Thread(target=server.handle_request)
        thread.start()
        address = f"http://127.0.0.1:{server.server_address[1]}/"
        with Client(address) as client, pytest.raises(error, match=words):
            client.save_file(1, tmp_path / "one.h5")
        thread.join(10)

    assert list(tmp_path.iterdir()) == []


def test_a_file_that_is_there_is_never_written_over(measured, tmp_path):
    (tmp_path / "one.h5").write_text("mine")
    with ApiServer(measured) as server, Client(server.address) as client:
        with pytest.raises(FileExistsError):
            client.save_file(1, tmp_path / "one.h5")
        with pytest.raises(BadInputError, match="run 9"):
            client.save_file(9, tmp_path / "nine.h5")

    assert (tmp_path / "one.h5").read_text() == "mine"
    assert [path.name for path in tmp_path.iterdir()] == ["one.h5"]


def test_a_result_becomes_a_data_frame(measured, tmp_path):
    """The documented example, from a run on a simulated bench."""
    with ApiServer(measured) as server, Client(server.address) as client:
        document = client.result(1)
        table = pd.DataFrame(rows(document))
        saved = client.save_file(1, tmp_path / "one.h5")
        preview = client.preview(1, points=50)

    assert len(table) == len(document["results"]) > 0
    first = document["results"][0]
    assert table["attenuation_db"][0] == first["attenuation"]["db"]
    low, high = first["attenuation"]["interval_db"]
    assert (table["attenuation_interval_db_low"][0], table["attenuation_interval_db_high"][0]) == (
        pytest.approx((low, high), nan_ok=True)
    )
    assert not verify(saved)
    assert saved.read_bytes() == next(measured.runs.glob("*.h5")).read_bytes()
    assert [path.name for path in tmp_path.iterdir()] == ["one.h5"]
    assert {trace["role"] for trace in preview["traces"]} == {"reference", "target", "floor"}
