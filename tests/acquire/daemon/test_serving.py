"""The daemon as a process, with its API: submit, hands, live traces and result by the client."""

from __future__ import annotations

import json
import re
from pathlib import Path

from acquire.daemon.client import Client, rows
from acquire.errors import RefusedError

ROOT = Path(__file__).resolve().parents[3]


def reachable(client):
    try:
        client.queue()
    except RefusedError:
        return False
    return True


def test_a_run_by_hand_from_submission_to_result(bench, folder, serving, wait_until, recipe_text):
    serving()
    with Client.of_state(folder.root) as client:
        wait_until(lambda: reachable(client))
        number = client.submit("by_hand", recipe_text=recipe_text, by="R. Field")["id"]
        confirmed, live = [], {}

        def hand():
            run = client.run(number)
            gate = run["gate"]
            if gate and not gate["confirmed_at"]:
                live[len(confirmed)] = {t["role"] for t in client.preview(number, 50)["traces"]}
                bench.circuit.set_condition(gate["condition"])
                client.confirm(number, gate["condition"], "R. Field")
                confirmed.append(gate["condition"])
            return run["state"] == "finished"

        wait_until(hand)
        run, document = client.run(number), client.result(number)
        first = client.watch(number, after=0)
        names = [next(first)["name"] for _ in range(3)]

    assert confirmed == ["bare", "damped_choke", "bare", "probe_off"]
    # what was stored is shown while the run stands at the next gate
    assert live == {0: set(), 1: {"reference"}, 2: {"reference", "target"},
                    3: {"reference", "target"}}  # fmt: skip
    assert (run["exit_code"], run["submitted_by"]) == (0, "R. Field")
    assert rows(document)[0]["attenuation_state"] == "resolved"
    assert names[0] == "run_queued"


def test_the_documented_example_ends_in_a_table(
    bench, folder, serving, wait_until, recipe_text, capsys
):
    """The code of API.md as it stands there, but for the state folder."""
    page = (ROOT / "acquire" / "daemon" / "API.md").read_text("utf-8")
    (code,) = re.findall(r"```python\n(.*?)```", page, re.DOTALL)
    (folder.recipes / "bonding_lead.yaml").write_text(recipe_text)
    serving()
    with Client.of_state(folder.root) as client:
        wait_until(lambda: reachable(client))

    exec(compile(code.replace("/var/lib/floorshot", str(folder.root)), "API.md", "exec"), {})

    shown = capsys.readouterr().out.splitlines()
    assert shown[0].split() == ["condition", "measure", "attenuation_db",
                                "attenuation_interval_db_low", "attenuation_state"]  # fmt: skip
    assert len(shown) > 1
    assert {line.split()[-1] for line in shown[1:]} == {"resolved"}


def test_a_run_without_hands_is_followed_to_its_end(
    bench, folder, serving, wait_until, queue, recipe_text
):
    serving()
    with Client.of_state(folder.root) as client:
        wait_until(lambda: reachable(client))
        number = client.submit("tunnel", recipe_text=recipe_text)["id"]
        told = []
        for event in client.watch(number, after=0):
            told.append(event)
            if event["name"] == "run_finished":
                break
        run = client.wait(number, timeout=20)
        stored = [event.id for event in queue.events(run=number, limit=10_000)]

    assert [event["id"] for event in told] == [one for one in stored if one <= told[-1]["id"]]
    assert run["exit_code"] == 0
    assert json.dumps(told[-1]["data"])
