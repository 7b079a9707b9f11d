"""Carry a run out: check, measure, evaluate, store. What each of these means is decided elsewhere.

The rules of this file:

* What is refused is refused before anything is changed, by an exception. Once shots may be stored,
  nothing is raised for a fault or a stop: the outcome says how far it came and how to go on.
* Every shot is durable before the next begins; the run file appears whole, or not at all.
* It names no file format and no command of any instrument.
"""

from __future__ import annotations

import secrets
from collections.abc import Callable
from datetime import UTC, datetime
from pathlib import Path

from acquire.bench import LoadedBench
from acquire.errors import BadInputError, InstrumentFault, Interrupted, RefusedError
from acquire.recipe import LoadedRecipe
from acquire.run import preflight
from acquire.run.evaluation import software
from acquire.run.events import Emitter, Listener
from acquire.run.fixture import Gate, check_possible
from acquire.run.instruments import OVER_VISA, Openers, opened, resources
from acquire.run.lock import BenchLock
from acquire.run.match import match
from acquire.run.plan import compile_plan
from acquire.run.session import Job, RunOutcome, Session
from acquire.run.setup import ScopeSetup, connections
from acquire.run.stop import StopFlag, StopNow
from acquire.runfile.records import RunHeader
from acquire.runfile.spool import Spool
from drivers.errors import DriverError

__all__ = ["RunOutcome", "run"]


def run(
    recipe: LoadedRecipe,
    bench: LoadedBench,
    output: Path,
    *,
    gate: Gate | None = None,
    on_event: Listener = lambda _event: None,
    stop: StopFlag | None = None,
    on_spool: Callable[[Path], None] = lambda _folder: None,
    openers: Openers = OVER_VISA,
) -> RunOutcome:
    """Execute a recipe on a bench.

    Parameters
    ----------
    output : a folder for the run file, or the run file itself (``*.h5``).
    gate : asks a person; None where nobody can be asked.
    on_event : is shown every event; must not raise.
    stop : ends the run early; see ``acquire.run.stop.signals_stop``.
    on_spool : is told the spool's folder as soon as the run can be resumed from it.

    Raises
    ------
    BadInputError, RefusedError
        Nothing was changed.
    InstrumentFault
        An instrument could not be reached, or is not the one expected; nothing was taken yet.
    Interrupted
        Stopped before the first shot could be stored.
    """
    job = prepare(recipe, bench, Emitter(on_event), gate, stop or StopFlag(), openers)
    header = _header(job, datetime.now(UTC))
    job.path = output if output.suffix == ".h5" else output / f"{header.run_id}.h5"
    if job.path.exists():
        raise RefusedError(f"{job.path} exists and is never overwritten; choose another name")

    def make_spool() -> Spool:
        spool = Spool.create(job.path.with_suffix(".spool"), header)
        on_spool(spool.folder)
        return spool

    return carry_out(job, make_spool, Session.tell_begin)


def prepare(
    recipe: LoadedRecipe,
    bench: LoadedBench,
    events: Emitter,
    gate: Gate | None,
    stop: StopFlag,
    openers: Openers,
) -> Job:
    """Settle what can be settled without contact.

    Raises
    ------
    BadInputError, RefusedError
        Where recipe and bench do not go together, or a hand is needed and nobody can be asked.
    """
    problems = match(recipe, bench)
    if problems:
        raise BadInputError(problems)
    plan = compile_plan(recipe, bench)
    check_possible(plan.hands > 0, gate)
    return Job(recipe, bench, plan, Path(), gate, events, stop, openers)


def carry_out(
    job: Job, make_spool: Callable[[], Spool], begin: Callable[[Session], None]
) -> RunOutcome:
    """Check, measure, evaluate and store a prepared job.

    Parameters
    ----------
    make_spool : makes or opens the spool, once every check has passed.
    begin : tells how the session begins; may still refuse it.

    Raises
    ------
    As ``run``.
    """
    findings = preflight.offline(job.recipe, job.bench, job.plan, job.path)
    preflight.require(findings)
    lock = BenchLock(resources(job.bench))
    lock.acquire(job.path.name)
    try:
        with opened(job.bench, job.openers) as instruments:
            bound = connections(job.recipe.recipe, job.bench)
            setup = ScopeSetup(instruments.scope, job.recipe.recipe, bound)
            findings += preflight.contacting(job.plan, job.path, instruments, setup)
            preflight.require(findings)
            if job.stop():
                raise Interrupted(f"{job.stop.reason}; nothing was taken yet")
            with make_spool() as spool:
                session = Session(job, instruments, setup, spool)
                begin(session)
                session.tell_findings(findings)
                return session.outcome()
    except StopNow:
        raise Interrupted(f"{job.stop.reason}; nothing was taken yet") from None
    except DriverError as error:
        raise InstrumentFault(str(error)) from error
    finally:
        lock.release()


def _header(job: Job, started: datetime) -> RunHeader:
    recipe, bench, plan = job.recipe, job.bench, job.plan
    return RunHeader(
        run_id=f"{started:%Y%m%dT%H%M%SZ}-{secrets.token_hex(3)}",
        site=bench.bench.site,
        recipe_name=recipe.name,
        recipe_text=recipe.text,
        recipe_sha256=recipe.sha256,
        bench_name=bench.name,
        bench_text=bench.text,
        bench_sha256=bench.sha256,
        probe_texts=bench.probe_texts,
        plan_json=plan.text,
        plan_sha256=plan.sha256,
        software=software(),
        started=started,
    )
