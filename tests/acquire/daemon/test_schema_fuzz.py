"""Requests made from our own OpenAPI document, right and wrong ones, against the real daemon.

The requests and the checks are schemathesis's, a library that knows nothing of this project: no
answer may be a 5xx, have an undocumented status, kind or shape, take what the document forbids or
refuse what it allows. It runs as a command, away from pytest's warnings and our own libraries.

The short form is the same every time; ``FLOORSHOT_FUZZ=100`` (requests an operation) is the long
one; ``-s`` says how many requests there were.
"""

from __future__ import annotations

import json
import os
import re
import shutil
import subprocess
import sys
from pathlib import Path

import pytest

from acquire.daemon.openapi import text as document_text

HERE = Path(__file__).parent
RECIPE = Path(__file__).parents[3] / "profiles" / "recipes" / "bonding_lead.yaml"
REQUESTS = int(os.environ.get("FLOORSHOT_FUZZ", "3"))
EVENTS = "/api/v1/events"

pytestmark = pytest.mark.timeout(120 + 10 * REQUESTS)


@pytest.fixture
def fuzz(bench, folder, queue, serving, wait_until, recipe_text, ask_tcp):
    """Let schemathesis ask a daemon on TCP, once run ``at_gate`` waits for a hand."""
    (folder.root / "daemon.yaml").write_text("http: {port: 0, requests_per_minute: 1000000}\n")
    (folder.benches / "tunnel.yaml").unlink()  # where no hand is, nothing is measured meanwhile
    shutil.copy(RECIPE, folder.recipes)
    serving()
    address = wait_until(lambda: (queue.last_beat() or (0, 0.0, ""))[2])
    token = folder.token.read_text().strip()
    body = {"bench": "by_hand", "recipe_text": recipe_text}

    def run(document, *arguments, at_gate=None):
        if at_gate is not None:
            assert (
                ask_tcp(address, token, "POST", "/api/v1/runs", body).json["run"]["id"] == at_gate
            )
            wait_until(lambda: queue.gate(at_gate))
        command = [
            Path(sys.executable).with_name("schemathesis"),
            "--config-file", HERE / "schemathesis.toml", "--no-color",
            "run", document, "--url", address, "--header", f"Authorization: Bearer {token}",
            "--warnings", "off", *arguments,
        ]  # fmt: skip
        done = subprocess.run(
            command, cwd=folder.root, capture_output=True, text=True, stdin=subprocess.DEVNULL
        )
        assert done.returncode == 0, f"{done.stdout}\n{done.stderr}"
        asked = re.search(r"(\d+) generated, \1 passed", done.stdout)
        assert asked, done.stdout
        return int(asked[1])

    return run


def test_no_request_gets_a_fault_or_an_undocumented_answer(fuzz, queue, tmp_path):
    document = tmp_path / "openapi.json"
    few = ("--max-examples", str(3 * REQUESTS), "--mode", "positive")
    one = (*few, "--phases", "fuzzing", "--include-operation-id")
    document.write_text(_with_names_that_are_known([1]))
    asked = fuzz(document, *one, "confirm", at_gate=1)
    document.write_text(_with_names_that_are_known([2]))
    asked += fuzz(document, *one, "cancel", at_gate=2)
    document.write_text(_with_names_that_are_known([1, 2]))
    asked += fuzz(document, *few, "--phases", "fuzzing,stateful", "--exclude-path", EVENTS)
    told = {event.name for event in queue.events(limit=1_000_000)}
    reached = {"run_queued", "gate_confirmed", "run_cancelled", "cancel_requested",
               "schedule_added", "schedule_ended"}  # fmt: skip
    assert reached - told == set()

    document.write_text(document_text())
    asked += fuzz(document, "--max-examples", str(REQUESTS))
    sys.stdout.write(f"{asked} requests\n")  # shown by pytest -s
    assert asked > 300


def _with_names_that_are_known(numbers):
    """Narrow the document, so that requests get past the door: submit, confirm, cancel, end."""
    document = json.loads(document_text())
    schemas = document["components"]["schemas"]
    schemas["Submit"]["properties"] |= {
        "bench": {"enum": ["by_hand"]},
        "recipe": {"enum": ["bonding_lead"]},
        "every": {"enum": [None, "6 h"]},
        "key": {"enum": [None, "once"]},
        **{name: {"type": "null"} for name in ("recipe_text", "at", "cron", "zone", "count")},
    }
    schemas["Submit"]["required"] = ["bench", "recipe"]
    schemas["Confirm"]["properties"]["condition"] = {"enum": ["bare"]}
    for operations in document["paths"].values():
        for operation in operations.values():
            for one in operation["parameters"]:
                if one["name"] == "number":
                    one["schema"] = {"enum": numbers}
    return json.dumps(document)
