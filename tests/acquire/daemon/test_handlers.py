"""What each route does, asked over a real socket."""

from __future__ import annotations

import csv
import io
import json
import os
import time
from pathlib import Path

import pytest

from acquire.daemon import schedules
from acquire.daemon.queue import Submission
from acquire.daemon.server import ApiServer

BASE = "/api/v1"
FIVE_MISTAKES = """\
floorshot_recipe: 1
title: 5
purpose: what is wrong
conductor: {name: lead, protective: perhaps, mains_connected: false}
quantities: {lead_current: {kind: pressure}}
acquisition:
  duration: 10 bananas
  repeats: 4
  trigger: {source: nobody, level: 5 V}
conditions: {bare: {kind: bare, description: none}}
shots: [{role: hero, condition: bare}]
"""


@pytest.fixture
def ask_measured(measured, ask_unix):
    with ApiServer(measured):
        yield lambda *question, **headers: ask_unix(measured, *question, **headers)


def submit(ask, recipe_text, **more):
    return ask("POST", f"{BASE}/runs", {"recipe_text": recipe_text, "bench": "tunnel", **more})


# -- submitting ------------------------------------------------------------------------------------
def test_a_text_is_queued_as_it_is(ask, queue, recipe_text):
    answer = submit(ask, recipe_text, recipe="night.yaml", priority=7, by="R. Field")

    run = queue.run(answer.json["run"]["id"])
    assert answer.status == 201
    assert answer.headers["Location"] == f"{BASE}/runs/{run.id}"
    assert (run.recipe_text, run.recipe_name, run.bench) == (recipe_text, "night.yaml", "tunnel")
    assert (run.priority, run.submitted_by) == (7, "R. Field")


def test_a_recipe_of_the_folder_is_queued_by_its_name(ask, folder, queue, recipe_text):
    (folder.recipes / "night.yaml").write_text(recipe_text)

    assert ask("GET", f"{BASE}/recipes").json == {"recipes": ["night"]}
    for name in ("night", "night.yaml"):
        answer = ask("POST", f"{BASE}/runs", {"recipe": name, "bench": "tunnel"})
        assert queue.run(answer.json["run"]["id"]).recipe_text == recipe_text


def test_a_name_never_becomes_a_path(ask, folder, queue, recipe_text):
    (folder.root / "secret.yaml").write_text(recipe_text)

    for name in (
        "../secret",
        "../secret.yaml",
        "/etc/passwd",
        "a/b",
        ".hidden",
        "",
        "a\x00",
        "..",
        "~",
    ):
        for body in ({"recipe": name, "bench": "tunnel"}, {"recipe_text": "x", "bench": name}):
            answer = ask("POST", f"{BASE}/runs", body)
            assert answer.status == 422
            assert "bonding lead, short" not in answer.text
    assert queue.runs(["queued"]) == ()


def test_every_mistake_comes_back_with_its_place(ask, queue):
    answer = submit(ask, FIVE_MISTAKES, recipe="mine.yaml")

    places = {(one["file"], one["line"], one["field"]) for one in answer.json["problems"]}
    assert answer.status == 422
    assert answer.headers["Content-Type"] == "application/problem+json"
    for line, field in ((2, "title"), (4, "conductor.protective"),
                        (5, "quantities.lead_current.kind"), (7, "acquisition.duration"),
                        (11, "shots.0.role")):  # fmt: skip
        assert ("mine.yaml", line, field) in places
    assert all(one["column"] > 0 and one["message"] for one in answer.json["problems"])
    assert queue.runs(["queued"]) == ()


def test_what_a_bench_cannot_do_is_refused_now(ask, recipe_text):
    other = recipe_text.replace("inverter_edge", "somewhere_else")
    answer = submit(ask, other)

    assert answer.status == 422
    assert "somewhere_else" in answer.json["detail"]


def test_an_unknown_bench_and_a_wrong_recipe_are_both_told_without_paths(ask, folder):
    answer = submit(ask, FIVE_MISTAKES, bench="tunel", every="soon")

    fields = {one["field"] for one in answer.json["problems"]}
    assert {"bench", "every", "title"} <= fields
    assert str(folder.root) not in answer.text


@pytest.mark.parametrize(
    ("body", "field"),
    [
        ({"bench": "tunnel", "priority": 101}, "priority"),
        ({"bench": "tunnel", "priority": "1"}, "priority"),
        ({"bench": "tunnel", "nonsense": 1}, "nonsense"),
        ({}, "bench"),
        ({"bench": "tunnel", "at": "2030-01-01", "every": "1 d"}, ""),
        ({"bench": "tunnel", "count": 3}, ""),
        ({"bench": "tunnel", "every": "1 d", "key": "k"}, ""),
    ],
)
def test_a_wrong_body_is_said_by_its_fields(ask, body, field):
    answer = ask("POST", f"{BASE}/runs", body)

    assert answer.status == 422
    assert field in [one["field"] for one in answer.json["problems"]]


def test_a_body_that_is_no_object_is_refused(ask):
    for text in ("", "{", "[]", "null", "\x00", '{"bench": NaN}', "[" * 100_000):
        assert ask("POST", f"{BASE}/runs", text).status == 422


def test_the_same_key_is_the_same_run_and_nothing_else(ask, queue, recipe_text):
    first, again = (submit(ask, recipe_text, key="night-1") for _ in range(2))
    other = submit(ask, recipe_text + "# changed\n", key="night-1")

    assert (first.status, again.status, other.status) == (201, 200, 409)
    assert first.json["run"]["id"] == again.json["run"]["id"]
    assert len(queue.runs(["queued"])) == 1


def test_a_full_queue_says_how_full_it_is(folder, bench, ask_unix, recipe_text):
    (folder.root / "daemon.yaml").write_text("queue_length: 2\n")
    with ApiServer(folder):
        answers = [
            ask_unix(
                folder, "POST", f"{BASE}/runs", {"recipe_text": recipe_text, "bench": "tunnel"}
            )
            for _ in range(3)
        ]

    assert [one.status for one in answers] == [201, 201, 503]
    assert "2 runs wait, at most 2" in answers[2].json["detail"]
    assert answers[2].headers["Retry-After"]
    assert str(folder.root) not in answers[2].text


def test_schedules_are_added_listed_and_ended(ask, queue, recipe_text):
    added = submit(ask, recipe_text, cron="30 6 * * 1-5", zone="Europe/Berlin", count=4)
    number = added.json["schedule"]["id"]
    (listed,) = ask("GET", f"{BASE}/schedules").json["schedules"]

    assert added.status == 201
    assert (listed["id"], listed["rule"], listed["remaining"]) == (number, "30 6 * * 1-5", 4)
    assert ask("DELETE", f"{BASE}/schedules/{number}").status == 204
    assert schedules.active(queue) == ()
    assert ask("DELETE", f"{BASE}/schedules/99").status == 404


def test_a_moment_that_has_passed_is_refused(ask, recipe_text):
    answer = submit(ask, recipe_text, at="2020-01-01T00:00", zone="UTC")

    assert answer.status == 422
    assert "has passed" in answer.json["detail"]


# -- runs ------------------------------------------------------------------------------------------
def test_runs_are_listed_by_state(ask, queue, recipe_text):
    ids = [submit(ask, recipe_text).json["run"]["id"] for _ in range(3)]
    queue.cancel(ids[0], "me")

    def listed(question):
        return [run["id"] for run in ask("GET", f"{BASE}/runs{question}").json["runs"]]

    assert listed("") == ids[1:]
    assert listed("?state=cancelled") == ids[:1]
    assert listed("?state=queued,cancelled&limit=1") == [ids[0]]
    for wrong in ("?state=lost", "?state=", "?limit=0", "?limit=x", "?other=1"):
        assert ask("GET", f"{BASE}/runs{wrong}").status == 422


def test_a_run_that_is_not_there_is_not_found(ask):
    for number in (0, 99, 2**62, 10**40):
        for part in ("", "/result", "/result.csv", "/file", "/preview"):
            answer = ask("GET", f"{BASE}/runs/{number}{part}")
            assert (answer.status, answer.json["status"]) == (404, 404)


def test_a_gate_needs_a_name_and_the_right_condition(ask, queue, recipe_text):
    number = submit(ask, recipe_text, bench="by_hand").json["run"]["id"]
    place = f"{BASE}/runs/{number}/confirm"
    assert ask("POST", place, {"by": "R. Field", "condition": "bare"}).status == 409
    queue.claim(["by_hand"])
    queue.open_gate(number, "bare", "take it out", ["isolate first"])

    told = ask("GET", f"{BASE}/runs/{number}").json["gate"]
    assert (told["instruction"], told["cautions"]) == ("take it out", ["isolate first"])
    assert ask("POST", place, {"by": "R. Field"}).status == 422
    assert ask("POST", place, {"condition": "bare"}).status == 422
    assert ask("POST", place, {"by": " ", "condition": "bare"}).status == 422
    assert ask("POST", place, {"by": "R. Field", "condition": "damped_choke"}).status == 409
    assert queue.gate(number).confirmed_at is None
    assert ask("POST", place, {"by": "R. Field", "condition": "bare"}).status == 200
    assert ask("POST", place, {"by": "S. Late", "condition": "bare"}).json["confirmed_by"] == (
        "R. Field"
    )


def test_a_running_run_is_asked_to_stop_and_a_waiting_one_is_gone(ask, queue, recipe_text):
    first, second = (submit(ask, recipe_text).json["run"]["id"] for _ in range(2))
    queue.claim(["tunnel"])

    asked, gone = (ask("POST", f"{BASE}/runs/{n}/cancel", {}) for n in (first, second))
    assert (asked.status, asked.json["state"]) == (202, "running")
    assert (gone.status, gone.json["state"]) == (200, "cancelled")
    assert ask("POST", f"{BASE}/runs/{second}/cancel", {}).status == 409
    assert queue.run(first).cancel_requested


def test_what_is_not_served_is_an_error_in_the_same_shape(ask):
    for method, path, status in (("GET", "/nothing", 404), ("PUT", f"{BASE}/runs", 405),
                                 ("POST", f"{BASE}/schedules", 405), ("GET", f"{BASE}/runs/x", 404),
                                 ("GET", "/page/../../token", 404)):  # fmt: skip
        answer = ask(method, path, {} if method == "PUT" else None)
        assert (answer.status, answer.json["status"]) == (status, status)


def test_a_wrong_method_is_told_every_right_one(ask):
    """RFC 9110, 10.2.1: Allow lists the methods of the resource."""
    told = ask("PUT", f"{BASE}/runs", {}).headers["Allow"]
    assert {one.strip() for one in told.split(",")} == {"GET", "HEAD", "POST"}


# -- what a run leaves -----------------------------------------------------------------------------
def test_a_result_is_given_as_it_was_stored(ask_measured, measured):
    queue = measured.queue()
    stored = queue.run(1).document
    queue.close()

    assert ask_measured("GET", f"{BASE}/runs/1/result").text == stored


def test_the_csv_has_the_numbers_of_the_result(ask_measured):
    document = ask_measured("GET", f"{BASE}/runs/1/result").json
    answer = ask_measured("GET", f"{BASE}/runs/1/result.csv")
    table = list(csv.DictReader(io.StringIO(answer.text)))

    assert answer.headers["Content-Type"].startswith("text/csv")
    assert len(table) == len(document["results"])
    for row, result in zip(table, document["results"], strict=True):
        assert row["condition"] == result["condition"]
        assert float(row["attenuation_db"]) == result["attenuation"]["db"]
        assert row["reference_unit"] == result["reference"]["unit"]


def test_no_result_yet_is_another_answer_than_none_ever(ask, queue, recipe_text):
    number = submit(ask, recipe_text).json["run"]["id"]
    assert ask("GET", f"{BASE}/runs/{number}/result").status == 409
    queue.cancel(number, "me")
    assert ask("GET", f"{BASE}/runs/{number}/result").status == 404
    assert ask("GET", f"{BASE}/runs/{number}/preview").json["traces"] == []


def test_the_run_file_comes_whole_and_in_ranges(ask_measured, measured):
    """Range requests: RFC 9110, section 14."""
    queue = measured.queue()
    whole = Path(queue.run(1).path).read_bytes()
    queue.close()
    place = f"{BASE}/runs/1/file"
    full = ask_measured("GET", place)

    assert (full.status, full.body) == (200, whole)
    assert full.headers["Accept-Ranges"] == "bytes"
    for wanted, part in (("bytes=0-99", whole[:100]), ("bytes=100-", whole[100:]),
                         ("bytes=-50", whole[-50:])):  # fmt: skip
        piece = ask_measured("GET", place, Range=wanted)
        assert (piece.status, piece.body) == (206, part)
        first = len(whole) - len(part) if wanted != "bytes=0-99" else 0
        assert piece.headers["Content-Range"] == (
            f"bytes {first}-{first + len(part) - 1}/{len(whole)}"
        )
    beyond = ask_measured("GET", place, Range=f"bytes={len(whole)}-")
    assert beyond.status == 416
    changed = ask_measured("GET", place, Range="bytes=0-99", If_Range='"another"')
    assert (changed.status, changed.body) == (200, whole)


@pytest.mark.parametrize("how", ["elsewhere", "link", "above"])
def test_a_file_outside_the_runs_is_never_sent(ask, folder, queue, recipe_text, tmp_path, how):
    number = submit(ask, recipe_text).json["run"]["id"]
    secret = tmp_path / "secret.h5"
    secret.write_bytes(b"secret")
    path = {"elsewhere": secret, "link": folder.runs / "link.h5",
            "above": folder.runs / ".." / "daemon.lock"}[how]  # fmt: skip
    if how == "link":
        path.symlink_to(secret)
    queue.claim(["tunnel"])
    queue.finish(number, 0, path=path, document=None, reason="")

    for part in ("file", "preview"):
        answer = ask("GET", f"{BASE}/runs/{number}/{part}")
        assert answer.status == 404
        assert b"secret" not in answer.body


def test_a_preview_shows_the_newest_shot_of_each_role(ask_measured):
    answer = ask_measured("GET", f"{BASE}/runs/1/preview?points=100")
    traces = [t for t in answer.json["traces"] if t["quantity"] == "lead_current"]

    assert [t["role"] for t in traces] == ["target", "reference", "floor"]
    for trace in traces:
        assert len(trace["lowest"]) == len(trace["highest"]) <= 100
        assert trace["bucket"] * len(trace["lowest"]) >= trace["samples"]
        span = max(trace["highest"]) - min(trace["lowest"])
        assert span == pytest.approx(trace["peak_to_peak"])
        assert trace["unit"] == "A"
    assert traces[0]["margin_db"] > 0
    assert traces[2]["margin_db"] is None
    for wrong in (9, 5001, "x"):
        assert ask_measured("GET", f"{BASE}/runs/1/preview?points={wrong}").status == 422


# -- the daemon ------------------------------------------------------------------------------------
def test_health_tells_whether_anyone_acts(ask, queue):
    silent = ask("GET", f"{BASE}/health")
    queue.beat("unix:somewhere")
    alive = ask("GET", f"{BASE}/health")

    assert (silent.status, silent.json["status"]) == (503, "not acting")
    assert (alive.status, alive.json["status"]) == (200, "acting")
    assert alive.json["pid"] == os.getpid()


def test_a_clock_set_back_does_not_make_a_dead_daemon_live(ask, queue):
    queue.clock = lambda: time.time() + 3600
    queue.beat()

    assert ask("GET", f"{BASE}/health").json["status"] == "not acting"


def test_benches_say_what_they_are_busy_with(ask, queue, recipe_text):
    number = queue.submit(Submission("a.yaml", recipe_text, "tunnel")).id
    queue.claim(["tunnel"])

    assert ask("GET", f"{BASE}/benches").json == {
        "benches": [{"name": "by_hand", "running": None}, {"name": "tunnel", "running": number}]
    }


def test_a_broken_state_folder_is_an_error_and_not_an_end(ask, queue, recipe_text):
    number = submit(ask, recipe_text).json["run"]["id"]
    queue.db.execute("ALTER TABLE gate RENAME TO gone")
    broken = ask("GET", f"{BASE}/runs/{number}")
    queue.db.execute("ALTER TABLE gone RENAME TO gate")

    assert (broken.status, broken.json["title"]) == (503, "Service Unavailable")
    assert json.loads(ask("GET", f"{BASE}/runs/{number}").body)["id"] == number
