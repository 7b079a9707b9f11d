"""What a recipe on a bench comes to: ordered steps, known before anything is contacted.

The plan is pure data: frozen, printable, hashable, and JSON-able. The same recipe and bench give
the same plan, byte for byte. What only the instruments can tell is left open, and said to
be open: the vertical ranges, and with them how many floor shots a floor visit holds.

The order of the recipe is kept where relays set the conditions. Where a person does, the shots are
taken in the order that needs the fewest hands (``acquire.run.order`` says what stays), unless the
recipe says ``order: as_written``. Three things are added:

* a change of condition only where the condition differs from the one before;
* a continuity check after each change, where the conductor is protective: a relay that stuck open
  may say that it closed, in the bare condition as well as with a candidate;
* a last floor visit, where other shots follow the recipe's last floor entry (or where its floor
  entries come before any range is known): it takes what has no floor yet.
"""

from __future__ import annotations

import hashlib
import json
from collections.abc import Iterator, Sequence
from dataclasses import asdict, dataclass, field, replace
from functools import cached_property
from typing import Literal

from acquire.analysis.inputs import Role
from acquire.bench import LoadedBench
from acquire.quantities import format_quantity
from acquire.recipe import LoadedRecipe
from acquire.run.order import fewest_hands
from acquire.runfile.consolidate import ShotSize, estimate_bytes

ORDERS = ("identify", "configure", "condition", "continuity", "ranging", "capture", "floor",
          "analyse", "store")  # fmt: skip
"""Every kind of step."""

Kind = Literal[
    "identify", "configure", "condition", "continuity", "ranging", "capture", "floor", "analyse",
    "store",
]  # fmt: skip

RANGING_EVENTS = 3
"""Events that each ranging decision rests on (fewer could not show any scatter)."""

_RANGING_TRIES = 4
_SECONDS_PER_RECORD = 0.02
_SECONDS_PER_TRACE = 0.01
_BYTES_PER_SECOND = 10e6
_SECONDS_TO_SET_UP = 3.0


@dataclass(frozen=True, slots=True)
class Step:
    """One step.

    Attributes
    ----------
    kind : one of ``ORDERS``.
    text : for people.
    shot : index into the recipe's shots; None where no entry asks for the step.
    role, condition, repeats : of the shot; condition also where one is set or checked.
    by_hand : whether a person has to act.
    reuse_ranges : begin with the ranges of the opening reference, and stay there unless it clips.
    only_missing : floor visit that skips ranges which have their floor already.
    limit : highest accepted resistance. [ohm]
    most_shots : at most so many shots are left behind (floor visits: known only then).
    seconds : estimated; events are taken to come at once, and hands to need no time. [s]
    """

    kind: Kind
    text: str
    shot: int | None = None
    role: Role | None = None
    condition: str | None = None
    repeats: int = 0
    by_hand: bool = False
    reuse_ranges: bool = False
    only_missing: bool = False
    limit: float | None = None
    most_shots: int = 0
    seconds: float = 0.0


@dataclass(frozen=True)
class Plan:
    """All steps, with what they are estimated to take.

    Attributes
    ----------
    title : of the recipe.
    recipe_sha256, bench_sha256 : what it was compiled from.
    steps : in order; a step is named by its index, from 0.
    quantities : in the order in which they are fetched.
    hands : how many times a person has to act.
    record_length : samples per trace at the recipe's minimum sample rate.
    bytes_per_sample : 1 where the scope's profile is known to give 8-bit codes, else 2.
    seconds : estimated, without hands and without waiting for events. [s]
    size : disk space at its peak, at most, at the minimum sample rate. [bytes]
    notes : what a person should know of it before it is run.
    """

    title: str
    recipe_sha256: str
    bench_sha256: str
    steps: tuple[Step, ...]
    quantities: tuple[str, ...]
    hands: int
    record_length: int
    bytes_per_sample: int
    seconds: float
    size: int
    notes: tuple[str, ...] = field(default=())

    @cached_property
    def text(self) -> str:
        """The plan as one JSON text, the same for the same plan."""
        members = {"format": "floorshot-plan", "version": 1, **asdict(self)}
        return json.dumps(members, sort_keys=True, separators=(",", ":"), allow_nan=False)

    @cached_property
    def sha256(self) -> str:
        """Hash of ``text``."""
        return hashlib.sha256(self.text.encode()).hexdigest()

    def describe(self) -> list[str]:
        """Return the plan for people, one line a step, and the estimates."""
        lines = [f"{number + 1:3d}  {step.text}" for number, step in enumerate(self.steps)]
        return [*lines, self.summary, *(f"note: {note}" for note in self.notes)]

    @property
    def summary(self) -> str:
        """What the run needs, for people: time, disk and hands."""
        return (
            f"about {_duration(self.seconds)} beside waiting for events, at most about"
            f" {self.size / 1e6:.0f} MB of disk while it runs; {_hands_needed(self.hands)}"
        )

    def disk_space(self, record_length: int, bytes_per_sample: int) -> int:
        """Return the disk space that the run needs at its peak, at most. [bytes]"""
        traces = len(self.quantities)
        return estimate_bytes(
            ShotSize(step.repeats, record_length, traces, bytes_per_sample)
            for step in self.steps
            for _ in range(step.most_shots)
        )

    def seconds_left(self, step: int) -> float:
        """Return the estimate for the steps from ``step`` on. [s]"""
        return round(sum(s.seconds for s in self.steps[step:]), 1)


def compile_plan(recipe: LoadedRecipe, bench: LoadedBench) -> Plan:
    """Compile a recipe for a bench. Pure: reads nothing and contacts nothing.

    Both must have passed ``acquire.run.match`` before; a recipe that was loaded has a reference, a
    floor and no shot that opens a protective conductor.
    """
    cost = _Cost.of(recipe, bench)
    steps: list[Step] = [
        Step("identify", f"identify {_instruments(bench)}", seconds=_SECONDS_TO_SET_UP / 2),
        Step("configure", _configure_text(recipe), seconds=_SECONDS_TO_SET_UP / 2),
        *_shot_steps(recipe, bench, cost, _sequence(recipe, bench)),
        Step("analyse", "compute the attenuation of every candidate, with every correction"),
        Step("store", "verify and store the run file"),
    ]
    plan = Plan(
        title=recipe.recipe.title,
        recipe_sha256=recipe.sha256,
        bench_sha256=bench.sha256,
        steps=tuple(steps),
        quantities=tuple(recipe.recipe.quantities),
        hands=sum(step.by_hand for step in steps),
        record_length=cost.record_length,
        bytes_per_sample=cost.bytes_per_sample,
        seconds=round(sum(step.seconds for step in steps), 3),
        size=0,
        notes=tuple(_notes(recipe, bench, cost)),
    )
    return replace(plan, size=plan.disk_space(cost.record_length, cost.bytes_per_sample))


def _hands_needed(hands: int) -> str:
    """Return for people how many times a person has to act."""
    return f"a hand is needed {_times(hands)}" if hands else "no hand is needed"


# -- the steps of the shots ------------------------------------------------------------------------


def _shot_steps(
    recipe: LoadedRecipe, bench: LoadedBench, cost: _Cost, order: Sequence[int]
) -> Iterator[Step]:
    """Walk through the shots in this order, with what has to happen before each."""
    measured: list[int] = []
    uncovered = False
    current: str | None = None
    referenced = False
    for index in order:
        shot = recipe.recipe.shots[index]
        repeats = shot.repeats or recipe.recipe.acquisition.repeats
        if shot.role == "floor" and not measured:
            uncovered = True
            continue
        if shot.condition != current:
            yield from _enter(recipe, bench, index, shot.condition, shot.role)
            current = shot.condition
        if shot.role == "floor":
            yield _floor(index, shot.condition, repeats, cost, len(measured), missing=False)
            uncovered = False
            continue
        yield _ranging(index, shot.role, shot.condition, cost, again=referenced)
        yield _capture(index, shot.role, shot.condition, repeats, cost)
        referenced = referenced or shot.role == "reference"
        measured.append(index)
        uncovered = True
    if uncovered:
        name, repeats = _last_floor(recipe)
        if name != current:
            yield from _enter(recipe, bench, None, name, "floor")
        yield _floor(None, name, repeats, cost, len(measured), missing=True)


def _sequence(recipe: LoadedRecipe, bench: LoadedBench) -> tuple[int, ...]:
    """Return the indices of the recipe's shots in the order in which they are taken."""
    shots = recipe.recipe.shots
    by_hand = bench.bench.fixture.kind == "operator"
    return fewest_hands(shots) if by_hand and not _as_written(recipe) else tuple(range(len(shots)))


def _as_written(recipe: LoadedRecipe) -> bool:
    return recipe.recipe.order == "as_written"


def _enter(
    recipe: LoadedRecipe, bench: LoadedBench, index: int | None, name: str, role: Role
) -> Iterator[Step]:
    condition = recipe.recipe.conditions[name]
    by_hand = bench.bench.fixture.kind == "operator"
    who = "ask the operator to set" if by_hand else "switch to"
    yield Step(
        "condition",
        f"{who} the condition {name}: {condition.description}",
        shot=index, role=role, condition=name, by_hand=by_hand, seconds=0.0 if by_hand else 0.3,
    )  # fmt: skip
    conductor = recipe.recipe.conductor
    checked = condition.kind == "candidate" or bench.bench.ohmmeter is not None
    if conductor.protective and checked:
        limit = conductor.continuity_limit
        yield Step(
            "continuity",
            f"check that {conductor.name} has at most {format_quantity(limit, 'ohm')} "
            f"in the condition {name} (4-wire); the run stops if not",
            shot=index, role=role, condition=name, limit=limit, seconds=0.5,
        )  # fmt: skip


def _ranging(index: int, role: Role, condition: str, cost: _Cost, *, again: bool) -> Step:
    reuse = again and role == "reference"
    text = (
        "keep the vertical ranges of the opening reference, unless it clips"
        if reuse
        else "find the vertical ranges (these records are not data)"
    )
    seconds = 0.0 if reuse else _RANGING_TRIES * RANGING_EVENTS * cost.seconds_per_record
    return Step(
        "ranging", text, shot=index, role=role, condition=condition, reuse_ranges=reuse,
        seconds=round(seconds, 3),
    )  # fmt: skip


def _capture(index: int, role: Role, condition: str, repeats: int, cost: _Cost) -> Step:
    return Step(
        "capture",
        f"{role.replace('_', ' ')} shot in {condition}: {repeats} records",
        shot=index, role=role, condition=condition, repeats=repeats, most_shots=1,
        seconds=round(repeats * cost.seconds_per_record, 3),
    )  # fmt: skip


def _floor(
    index: int | None, condition: str, repeats: int, cost: _Cost, before: int, *, missing: bool
) -> Step:
    which = "every range that has no floor yet" if missing else "every range used by earlier shots"
    groups = cost.groups(before)
    return Step(
        "floor",
        f"floor shots in {condition} at {which} (known only then): {repeats} records each",
        shot=index, role="floor", condition=condition, repeats=repeats, only_missing=missing,
        most_shots=groups, seconds=round(groups * repeats * cost.seconds_per_record, 3),
    )  # fmt: skip


def _last_floor(recipe: LoadedRecipe) -> tuple[str, int]:
    """Return condition and repeats of the floor visit that is added."""
    last = [shot for shot in recipe.recipe.shots if shot.role == "floor"][-1]
    return last.condition, last.repeats or recipe.recipe.acquisition.repeats


# -- estimates and words ---------------------------------------------------------------------------


@dataclass(frozen=True, slots=True)
class _Cost:
    """What one record costs, at the recipe's minimum sample rate."""

    record_length: int
    bytes_per_sample: int
    seconds_per_record: float
    most_groups: int

    @classmethod
    def of(cls, recipe: LoadedRecipe, bench: LoadedBench) -> _Cost:
        asked = recipe.recipe.acquisition
        length = max(int(asked.duration * asked.minimum_sample_rate), 1)
        profile = bench.scope_profiles.get(bench.bench.scope.profile or "")
        width = 2 if profile is None or profile.code_bits > 8 else 1
        traces = len(recipe.recipe.quantities)
        size = length * width * traces
        seconds = (
            asked.duration + _SECONDS_PER_RECORD + traces * _SECONDS_PER_TRACE
        ) + size / _BYTES_PER_SECOND
        shots = recipe.recipe.shots
        conditions = {s.condition for s in shots if s.role in ("target", "open_circuit")}
        return cls(length, width, seconds, 1 + len(conditions))

    def groups(self, before: int) -> int:
        """Return the most floor shots that one visit can need after ``before`` other shots."""
        return min(self.most_groups, max(before, 1))


def _instruments(bench: LoadedBench) -> str:
    names = ["the oscilloscope"]
    if bench.bench.fixture.kind == "relay":
        names.append("the relay unit")
    if bench.bench.ohmmeter is not None:
        names.append("the ohmmeter")
    return names[0] if len(names) == 1 else f"{', '.join(names[:-1])} and {names[-1]}"


def _configure_text(recipe: LoadedRecipe) -> str:
    asked = recipe.recipe.acquisition
    source = asked.trigger.source
    return (
        f"configure {format_quantity(asked.duration, 's')} records at "
        f"{format_quantity(asked.minimum_sample_rate, 'Sa/s')} or more, trigger on {source}"
    )


def _notes(recipe: LoadedRecipe, bench: LoadedBench, cost: _Cost) -> Iterator[str]:
    shots = [recipe.recipe.shots[index] for index in _sequence(recipe, bench)]
    floors = [i for i, shot in enumerate(shots) if shot.role == "floor"]
    saved = _saved(recipe, bench, cost)
    if saved and _as_written(recipe):
        yield (
            f"a hand would be needed {_times(saved)} less in another order; the recipe says"
            " 'order: as_written'"
        )
    elif saved:
        yield (
            "shots of one condition are taken together and floors last, not as the recipe has"
            f" them: a hand is needed {_times(saved)} less; 'order: as_written' in the recipe keeps"
            " its order"
        )
    if floors[-1] != len(shots) - 1:
        yield "shots follow the last floor entry, so a floor visit is added for their ranges"
    if floors[0] == 0:
        yield "a floor entry before any other shot has no range yet; its floor comes later"


def _saved(recipe: LoadedRecipe, bench: LoadedBench, cost: _Cost) -> int:
    """Return how many hands the order with the fewest spares against the recipe's own."""
    shots = recipe.recipe.shots
    written, fewest = (
        sum(step.by_hand for step in _shot_steps(recipe, bench, cost, order))
        for order in (range(len(shots)), fewest_hands(shots))
    )
    return written - fewest


def _times(count: int) -> str:
    return "once" if count == 1 else f"{count} times"


def _duration(seconds: float) -> str:
    if seconds < 90:
        return f"{seconds:.0f} s"
    if seconds < 5400:
        return f"{seconds / 60:.0f} min"
    return f"{seconds / 3600:.1f} h"
