"""The plan is printed, the same each time, and nothing is opened for it."""

import json
import socket

from acquire.cli import invoke

ARGUMENTS = ["plan", "bonding_lead", "--bench", "wind_tunnel_simulated"]


def test_the_steps_are_printed_in_order_without_any_contact(capsys, monkeypatch):
    def refuse(*_arguments, **_more):
        raise AssertionError("a plan opened a socket")

    monkeypatch.setattr(socket, "socket", refuse)

    assert invoke(ARGUMENTS) == 0

    shown = capsys.readouterr().out
    assert shown.index("reference shot in bare") < shown.index("target shot in damped_choke")
    assert shown.index("target shot in air_coil") < shown.index("floor shots in probe_off")


def test_the_json_is_the_same_each_time(capsys):
    assert invoke([*ARGUMENTS, "--json"]) == 0
    first = capsys.readouterr().out
    assert invoke([*ARGUMENTS, "--json"]) == 0

    assert capsys.readouterr().out == first
    plan = json.loads(first)
    assert plan["format"] == "floorshot-plan"
    assert [step["kind"] for step in plan["steps"]][-2:] == ["analyse", "store"]
