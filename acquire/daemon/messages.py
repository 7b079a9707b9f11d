"""The bodies that the API takes and gives. Times are RFC 3339 in UTC.

The OpenAPI document is derived from these classes.
"""

from __future__ import annotations

from datetime import UTC, datetime
from typing import Annotated, Any, Literal, Self, get_args

from pydantic import BaseModel, ConfigDict, Field, StringConstraints, model_validator

from acquire.daemon.queue import Gate, Run, RunState
from acquire.daemon.schedule import Kind
from acquire.daemon.schedules import Schedule
from acquire.daemon.store import StoredEvent
from acquire.errors import Problem

FileName = Annotated[str, StringConstraints(pattern=r"^[A-Za-z0-9][A-Za-z0-9_.-]{0,99}$")]
"""A name, never a path: it has no slash and does not begin with a dot."""

_CONTROL = r"\x00-\x1f\x7f-\x9f"
_SHOWN = f"[^{_CONTROL}]*"
Person = Annotated[
    str, StringConstraints(max_length=100, pattern=rf"^{_SHOWN}[^{_CONTROL}\s]{_SHOWN}$")
]
"""A name as it is shown on terminals and pages: something in it, and no control characters."""

Words = Annotated[str, StringConstraints(min_length=1, max_length=100, pattern=f"^{_SHOWN}$")]
_STATES = "|".join(get_args(RunState))


class Asked(BaseModel):
    """What a client sends: strict, and unknown fields are errors."""

    model_config = ConfigDict(strict=True, extra="forbid", frozen=True)


class Submit(Asked):
    """A run, or, with one of ``at``, ``every`` and ``cron``, a schedule of runs.

    ``recipe`` names a recipe in the daemon's recipe folder; with ``recipe_text`` it is only what
    the text is called. ``key`` makes it safe to send the same submission twice.
    """

    recipe: FileName = "recipe.yaml"
    recipe_text: Annotated[str, StringConstraints(min_length=1)] | None = None
    bench: FileName
    priority: Annotated[int, Field(ge=-100, le=100)] = 0
    at: Words | None = None
    every: Words | None = None
    cron: Words | None = None
    zone: Words | None = None
    count: Annotated[int, Field(ge=1, le=1_000_000)] | None = None
    key: Words | None = None
    by: Person = "a client of the API"

    @model_validator(mode="after")
    def _together(self) -> Self:
        scheduled = [name for name in ("at", "every", "cron") if getattr(self, name) is not None]
        if len(scheduled) > 1:
            raise ValueError(f"give one of {' and '.join(scheduled)}, not several")
        if not scheduled and (self.count is not None or self.zone is not None):
            raise ValueError("count and zone need at, every or cron")
        if scheduled and self.key is not None:
            raise ValueError("key is for a single run; a schedule cannot have one")
        return self


class Confirm(Asked):
    """A person says that a condition is set; another condition than the gate's is refused."""

    by: Person
    condition: Words


class Acted(Asked):
    """Who asks for it."""

    by: Person = "a client of the API"


class Question(BaseModel):
    """Parameters of a GET: texts that are read as what they stand for."""

    model_config = ConfigDict(extra="forbid", frozen=True)


class RunsQuestion(Question):
    """Which runs to list."""

    state: Annotated[str, StringConstraints(pattern=f"^({_STATES})(,({_STATES}))*$")] = Field(
        "queued,running,parked", description="States, parted by commas.", max_length=200
    )
    limit: Annotated[int, Field(ge=1, le=1000)] = 100


class PreviewQuestion(Question):
    """How fine a preview is."""

    points: Annotated[int, Field(ge=10, le=5000, description="Buckets of a trace.")] = 400


class EventsQuestion(Question):
    """Which events to stream. Without ``after`` (and Last-Event-ID) only those still to come."""

    run: Annotated[int, Field(ge=1, le=2**53, description="Of this run only.")] | None = None
    after: Annotated[int, Field(ge=0, le=2**53, description="With a number above this.")] | None = (
        None
    )


class Given(BaseModel):
    """What the daemon answers."""

    model_config = ConfigDict(frozen=True)


class GateMessage(Given):
    """Where a run waits for a hand. ``confirmed_at`` null = it still waits."""

    condition: str
    instruction: str
    cautions: list[str]
    opened_at: datetime
    confirmed_at: datetime | None
    confirmed_by: str | None

    @classmethod
    def of(cls, gate: Gate) -> Self:
        """Return a gate as it is told."""
        return cls(
            condition=gate.condition,
            instruction=gate.instruction,
            cautions=list(gate.cautions),
            opened_at=_time(gate.opened_at),
            confirmed_at=_maybe(gate.confirmed_at),
            confirmed_by=gate.confirmed_by,
        )


class RunMessage(Given):
    """One run. ``exit_code`` is that of ``floorshot run``; null = it has not ended by itself.

    ``hands`` is how many times a person has to act in it; null = not known.
    """

    id: int
    recipe: str
    bench: str
    priority: int
    state: RunState
    submitted_at: datetime
    submitted_by: str
    not_before: datetime | None
    schedule: int | None
    hands: int | None
    attempts: int
    cancel_requested: bool
    started_at: datetime | None
    ended_at: datetime | None
    exit_code: int | None
    reason: str
    has_result: bool
    has_file: bool
    gate: GateMessage | None

    @classmethod
    def of(cls, run: Run, gate: Gate | None) -> Self:
        """Return a run as it is told: no path of this machine is in it."""
        same = ("id", "bench", "priority", "state", "submitted_by", "schedule", "attempts")
        more = ("cancel_requested", "exit_code", "reason", "hands")
        return cls(
            **{name: getattr(run, name) for name in same + more},
            recipe=run.recipe_name,
            submitted_at=_time(run.submitted_at),
            not_before=_time(run.not_before) if run.not_before else None,
            started_at=_maybe(run.started_at),
            ended_at=_maybe(run.ended_at),
            has_result=run.document is not None,
            has_file=run.path is not None,
            gate=None if gate is None else GateMessage.of(gate),
        )


class RunDetail(RunMessage):
    """One run with the recipe that it carries out."""

    recipe_text: str


class Runs(Given):
    """Runs: waiting ones by turn, or ended ones newest first."""

    runs: list[RunMessage]


class ScheduleMessage(Given):
    """One schedule. ``remaining`` null = without end; ``rule`` of ``every`` is in seconds."""

    id: int
    recipe: str
    bench: str
    priority: int
    kind: Kind
    rule: str
    zone: str
    next_at: datetime | None
    remaining: int | None
    created_at: datetime
    created_by: str

    @classmethod
    def of(cls, one: Schedule) -> Self:
        """Return a schedule as it is told."""
        same = ("id", "bench", "priority", "kind", "rule", "zone", "remaining", "created_by")
        return cls(
            **{name: getattr(one, name) for name in same},
            recipe=one.recipe_name,
            next_at=_maybe(one.next_at),
            created_at=_time(one.created_at),
        )


class Schedules(Given):
    """Schedules that still have a time to come, soonest first."""

    schedules: list[ScheduleMessage]


class Submitted(Given):
    """What a submission came to: one of the two."""

    run: RunMessage | None = None
    schedule: ScheduleMessage | None = None


class Cancelled(Given):
    """``running`` = it was asked to stop and is still at it."""

    id: int
    state: RunState


class EventMessage(Given):
    """One event: the ``data`` of a server-sent event, whose ``id`` is the same number."""

    id: int
    run: int | None
    at: datetime
    name: str
    data: dict[str, Any]

    @classmethod
    def of(cls, event: StoredEvent) -> Self:
        """Return an event as it is told."""
        return cls(
            id=event.id, run=event.run, at=_time(event.at), name=event.name, data=dict(event.data)
        )


class BenchMessage(Given):
    """One bench; ``running`` is the run that has it now."""

    name: str
    running: int | None


class Benches(Given):
    """The benches that a run may ask for."""

    benches: list[BenchMessage]


class Recipes(Given):
    """Names of the recipes in the recipe folder."""

    recipes: list[str]


class Health(Given):
    """Whether anyone acts on the queue; ``beat_age``: since the loop's last sign of life. [s]"""

    status: Literal["acting", "not acting"]
    software: str
    pid: int | None
    beat_age: float | None
    last_event: int
    runs: dict[str, int]


class TraceMessage(Given):
    """One record of a shot, decimated: lowest and highest value of every bucket of samples.

    Volts are those at the oscilloscope's input; ``per_unit`` volts stand for one ``unit``.
    ``margin_db`` is 20 lg of peak-to-peak over that of the floor record shown, null where there is
    none at the same range.
    """

    role: str
    condition: str
    shot: str
    quantity: str
    repeat: int
    repeats: int
    samples: int
    start: float
    interval: float
    bucket: int
    lowest: list[float]
    highest: list[float]
    peak_to_peak: float
    vertical_range: float
    unit: Literal["A", "V"]
    per_unit: float
    margin_db: float | None


class Preview(Given):
    """The newest stored record of each role. Volts [V] and seconds [s]."""

    run: int
    traces: list[TraceMessage]


class ProblemMessage(Given):
    """One mistake; ``line`` and ``column`` count from 1, 0 = the whole."""

    file: str
    line: int
    column: int
    field: str
    message: str
    excerpt: str

    @classmethod
    def of(cls, problem: Problem) -> Self:
        """Return a problem as it is told."""
        return cls(**{name: getattr(problem, name) for name in Problem.__slots__})


class ErrorMessage(Given):
    """Every error, as RFC 9457 problem details with the list of ``problems``."""

    type: Literal["about:blank"] = "about:blank"
    title: str
    status: int
    detail: str
    problems: list[ProblemMessage] = []


def _time(seconds: float) -> datetime:
    return datetime.fromtimestamp(seconds, UTC)


def _maybe(seconds: float | None) -> datetime | None:
    return None if seconds is None else _time(seconds)
