"""Event names are stable, documented and stored before they are shown."""

import ast
from datetime import UTC, datetime
from importlib import resources
from pathlib import Path

import numpy as np
import pytest

from acquire.errors import StorageError
from acquire.run.events import EVENTS, LIVE_ONLY, Emitter, plain

SOURCES = Path(str(resources.files("acquire.run")))


def emitted_names():
    """Yield every literal name that the package emits."""
    for path in sorted(SOURCES.glob("*.py")):
        for node in ast.walk(ast.parse(path.read_text())):
            if isinstance(node, ast.Call) and getattr(node.func, "attr", "") == "emit":
                first = node.args[0]
                choices = [first.body, first.orelse] if isinstance(first, ast.IfExp) else [first]
                for choice in choices:
                    assert isinstance(choice, ast.Constant), f"{path.name}:{node.lineno}"
                    yield choice.value


def test_every_event_in_the_table_is_emitted_somewhere_and_no_other():
    assert set(emitted_names()) == set(EVENTS)
    assert set(EVENTS) >= LIVE_ONLY


def test_every_event_stands_in_the_readme_with_its_keys():
    readme = (SOURCES / "README.md").read_text()
    for name, keys in EVENTS.items():
        assert f"| `{name}` | {keys} |" in readme


def test_an_undocumented_event_is_a_mistake_of_ours():
    with pytest.raises(KeyError, match="something_else"):
        Emitter().emit("something_else")


def test_an_event_is_stored_before_it_is_shown_and_the_live_ones_are_only_shown():
    order = []
    emitter = Emitter(
        show=lambda e: order.append(("shown", e.name)),
        store=lambda e: order.append(("stored", e.name)),
    )

    emitter.emit("caution", text="hot")
    emitter.emit("record_taken", shot="x")

    assert order == [("stored", "caution"), ("shown", "caution"), ("shown", "record_taken")]


def test_events_from_before_the_store_are_not_lost():
    stored = []
    emitter = Emitter()
    emitter.emit("caution", text="hot")

    emitter.attach(stored.append)
    emitter.emit("caution", text="sharp")

    assert [e.data["text"] for e in stored] == ["hot", "sharp"]
    assert not emitter.early


def test_a_full_disk_stops_the_run_but_never_the_parking():
    def full(_event):
        raise StorageError("disk full")

    shown = []
    emitter = Emitter(show=shown.append, store=full)
    with pytest.raises(StorageError):
        emitter.emit("caution", text="hot")

    emitter.tolerant = True
    emitter.emit("fixture_parked", condition="bare", verified=True)

    assert [e.name for e in shown] == ["fixture_parked"]


def test_data_become_plain_json():
    at = datetime(2026, 1, 1, tzinfo=UTC)

    assert plain(
        {"a": np.float64(1.5), "b": float("inf"), "c": (1, True, None), "d": {3, 1}, "e": at}
    ) == {
        "a": 1.5,
        "b": None,
        "c": [1, True, None],
        "d": [1, 3],
        "e": "2026-01-01T00:00:00.000+00:00",
    }
    with pytest.raises(TypeError):
        plain(object())
