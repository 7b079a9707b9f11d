"""Whether every shot that was announced as stored is still there.

A shot is announced (the event ``shot_stored``) only after it is durable, so one that was announced
and is not there was taken away by somebody. Digests cannot tell: they cover what is there.
"""

from __future__ import annotations

import json
from collections import Counter
from collections.abc import Collection, Iterable, Iterator, Mapping
from typing import Any

STORED, GONE = "shot_stored", "shot_gone"
"""Events about one shot: it is durable; it was found missing when the run was resumed."""
_BLOCK = 1 << 22
"""Bytes of the table of events that are held at once."""
Told = tuple[str, Mapping[str, Any]]


def missing_shots(events: Iterable[Told], there: Collection[str]) -> list[str]:
    """Return the shots that were announced and are not there, nor told as gone, in order.

    Parameters
    ----------
    events : ``(name, data)`` of each event, in order.
    there : names of the shots that are there.
    """
    missing: dict[str, None] = {}
    for name, data in events:
        shot = str(data.get("shot"))
        if name == STORED and shot not in there:
            missing[shot] = None
        elif name == GONE:
            missing.pop(shot, None)
    return list(missing)


def missing_captures(plan: str, taken: Iterable[tuple[str, str]]) -> list[str]:
    """Return what a complete run lacks of its plan, in words.

    Parameters
    ----------
    plan : the plan as JSON. Floors are left out: how many are taken depends on the ranges.
    taken : role and condition of each shot.
    """
    try:
        steps = [step for step in json.loads(plan)["steps"] if step["kind"] == "capture"]
        wanted = Counter((str(step["role"]), str(step["condition"])) for step in steps)
    except (ValueError, KeyError, TypeError, RecursionError):
        return ["the plan cannot be read, so the shots cannot be counted"]
    found = Counter(taken)
    return [
        f"only {found[what]} of {count} shots that the plan has with the role {what[0]} in the "
        f"condition {what[1]}"
        for what, count in wanted.items()
        if found[what] < count
    ]


def incomplete(file: Any) -> list[tuple[str, str]]:
    """Return ``(place, words)`` for each shot that an open run file should have and has not."""
    shots = file["shots"]
    found = [
        (f"/shots/{shot}", f"gone: the event {STORED} says that it was stored")
        for shot in missing_shots(_events(file["events"]), set(shots))
    ]
    if file.attrs["state"] == "complete":
        taken = [(str(s.attrs["role"]), str(s.attrs["condition"])) for s in shots.values()]
        plan = bytes(file["plan"][()]).decode()
        found += [("/shots", words) for words in missing_captures(plan, taken)]
    return found


def _events(table: Any) -> Iterator[Told]:
    rows = max(1, _BLOCK // table.dtype.itemsize)
    for start in range(0, table.shape[0], rows):
        for _, name, data in table[start : start + rows].tolist():
            if name.decode() in (STORED, GONE):
                yield name.decode(), json.loads(data)
