"""One session at the bench: from the first shot that is missing to the run file.

A fault or a stop is no exception here but an outcome: it says how far the run came, that everything
stored so far is kept, and how to go on. The fixture is parked, whatever happens, while its link is
still open.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from contextlib import suppress
from dataclasses import dataclass, field
from datetime import datetime
from pathlib import Path

from acquire.analysis.results import Result
from acquire.bench import LoadedBench
from acquire.errors import ExitCode, FloorshotError, InstrumentFault, Interrupted, StorageError
from acquire.recipe import LoadedRecipe
from acquire.run import cautions, memory
from acquire.run.acquirer import Acquirer
from acquire.run.capture import Capturer
from acquire.run.clock import RunClock
from acquire.run.evaluation import Evaluated, evaluate_run, transducers_of
from acquire.run.events import Emitter
from acquire.run.fixture import Fixture, Gate, OperatorFixture, relay_fixture
from acquire.run.instruments import OVER_VISA, Instruments, Openers, records
from acquire.run.levels import levels_of
from acquire.run.plan import Plan
from acquire.run.preflight import Finding
from acquire.run.setup import ScopeSetup
from acquire.run.steps import Execution
from acquire.run.stop import StopFlag, StopNow
from acquire.runfile.records import RunState
from acquire.runfile.spool import Spool
from drivers.errors import DriverError


@dataclass(frozen=True, slots=True)
class RunOutcome:
    """How a run ended.

    Attributes
    ----------
    exit_code : for the shell.
    state : complete, or how it was broken off.
    path : the run file; None where the run can be resumed.
    spool : the folder to resume from; None where the run is complete.
    result, document, document_json : None where the run is not complete, or where this machine's
        memory does not hold its evaluation.
    reason : one sentence, with what to do; empty for a complete run.
    """

    exit_code: ExitCode
    state: RunState
    path: Path | None = None
    spool: Path | None = None
    result: Result | None = None
    document: Mapping[str, object] | None = None
    document_json: str | None = None
    reason: str = ""


@dataclass(slots=True)
class Job:
    """Everything that is settled before the instruments are contacted; ``path`` is the run file."""

    recipe: LoadedRecipe
    bench: LoadedBench
    plan: Plan
    path: Path
    gate: Gate | None
    events: Emitter
    stop: StopFlag
    openers: Openers = OVER_VISA


@dataclass(slots=True)
class Session:
    """A prepared job with its instruments open, its scope configured and its spool writable."""

    job: Job
    instruments: Instruments
    setup: ScopeSetup
    spool: Spool
    clock: RunClock = field(init=False)

    def __post_init__(self) -> None:
        self.clock = RunClock(self.spool.header.started)
        self.job.events.utc = self.clock.utc
        self.job.events.attach(self.spool.events.append)

    def outcome(self) -> RunOutcome:
        """Carry everything out; a fault or a stop becomes an outcome."""
        try:
            self._measure()
            return self._finish()
        except StopNow:
            return self._kept(Interrupted(self.job.stop.reason))
        except DriverError as error:
            return self._kept(InstrumentFault(str(error)))
        except FloorshotError as error:
            return self._kept(error)

    def _measure(self) -> None:
        self._tell_instruments()
        execution = self._execution()
        try:
            execution.carry_out()
        finally:
            self._park(execution)

    def tell_begin(self) -> None:
        """Say that a new run begins."""
        plan = self.job.plan
        self.job.events.emit(
            "run_started", run_id=self.spool.header.run_id, title=plan.title,
            steps=len(plan.steps), hands=plan.hands, estimated_seconds=plan.seconds,
            estimated_bytes=plan.size,
        )  # fmt: skip

    def tell_findings(self, findings: Sequence[Finding]) -> None:
        """Say, and store, what the checks before it found."""
        for found in findings:
            self.job.events.emit(
                "finding", level=found.kind, subject=found.subject, text=found.text
            )

    def _tell_instruments(self) -> None:
        self.spool.set_instruments(records(self.job.bench, self.instruments, self.setup.snapshot()))
        for record in self.spool.instruments:
            self.job.events.emit(
                "instrument_identified", role=record.role, resource=record.resource, idn=record.idn
            )
        for text in cautions.at_start(self.job.recipe.recipe.conductor):
            self.job.events.emit("caution", text=text)

    def _execution(self) -> Execution:
        job = self.job
        acquirer = Acquirer(self.setup, job.events, self.clock, job.stop, job.bench.bench.retry)
        seen = levels_of(self.spool.events.stream())
        return Execution(
            recipe=job.recipe,
            plan=job.plan,
            instruments=self.instruments,
            fixture=_fixture(job, self.instruments),
            capturer=Capturer(acquirer, self.spool),
            spool=self.spool,
            events=job.events,
            seen=seen,
        )

    def _park(self, execution: Execution) -> None:
        self.job.events.tolerant = True  # a full disk must not keep a relay from switching
        try:
            execution.park()
        except StopNow:
            self.job.events.emit(
                "fixture_unknown", error="the relay unit did not answer in time; treat the "
                "protective path as open until somebody who may has checked it",
            )  # fmt: skip
        finally:
            self.job.events.tolerant = False

    def _finish(self) -> RunOutcome:
        job = self.job
        job.events.emit("step_started", **self._step("analyse"))
        state: RunState = "complete"
        ended = self.clock.utc()
        lack = memory.shortage(self.spool.shots())
        found = None if lack else self._evaluated(state, ended)
        if found is None:
            job.events.emit("finding", level="warning", subject="memory", text=lack)
        else:
            job.events.emit("analysed", verdict=found.result.verdict, remarks=found.result.remarks)
        job.events.emit("step_started", **self._step("store"))
        job.events.emit("run_stored", file=job.path.name, state=state)
        job.events.store = lambda _event: None  # the log goes into the run file now
        text = None if found is None else found.document_json
        path = self.spool.consolidate(job.path, document_json=text, state=state, ended=ended)
        if found is None:
            return RunOutcome(ExitCode.UNDECIDED, state, path, reason=lack)
        return RunOutcome(found.exit_code, state, path, None, found.result, found.document, text)

    def _evaluated(self, state: RunState, ended: datetime) -> Evaluated:
        captures = self.spool.captures(transducers_of(self.job.recipe.recipe, self.job.bench))
        return evaluate_run(
            captures, self.job.recipe, self.spool.header, self.spool.events.stream(),
            state=state, ended=ended,
        )  # fmt: skip

    def _step(self, kind: str) -> dict[str, object]:
        steps = self.job.plan.steps
        index = next(i for i, step in enumerate(steps) if step.kind == kind)
        return {
            "step": index + 1, "steps": len(steps), "kind": kind, "text": steps[index].text,
            "seconds_left": self.job.plan.seconds_left(index),
        }  # fmt: skip

    def _kept(self, error: FloorshotError) -> RunOutcome:
        folder = self.spool.folder
        stopped = isinstance(error, Interrupted)
        shots = len(self.spool.shots())
        kept = "1 shot is" if shots == 1 else f"{shots} shots are"
        how = f"{kept} kept; go on with: floorshot resume {folder}"
        text = {"how_to_resume": how, ("reason" if stopped else "error"): str(error)}
        self.job.events.tolerant = True
        self.job.events.emit("run_interrupted" if stopped else "run_faulted", **text)
        with suppress(StorageError):
            self.spool.events.sync()
        state: RunState = "interrupted" if stopped else "faulted"
        return RunOutcome(error.exit_code, state, None, folder, reason=f"{error}. {how}")


def _fixture(job: Job, instruments: Instruments) -> Fixture:
    if instruments.switch is None:
        assert job.gate is not None
        return OperatorFixture(job.gate)
    return relay_fixture(job.recipe.recipe, job.bench.bench, instruments.switch)
