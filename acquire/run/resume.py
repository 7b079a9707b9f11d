"""Go on with a run that was broken off, from the shots that are stored.

What is proven first: the texts and hashes are those of the run, the bench profile is the same, the
same units answer, the settings read back as they were, and the clock has not gone back. Then only
what is missing is taken, by the same steps, into the same structure.

A break between a reference and a target needs a decision: the source may have changed in it.

* If a reference is still to come after the last missing target, nothing is added. Each target is
  compared with the references on both sides of it, weighted by time; their difference *is* the
  drift over the break, it enters the budget, and beyond the allowance the result is invalid.
* If no reference is to come, nothing would bound what happened in the break. A reference in the
  opening reference's condition is then added after the last target. We do not widen the drift
  term by a guess instead: any figure for it would be invented.
* If no target is missing, no comparison reaches over the break, and nothing is added.

Whatever is decided stands in the events and among the result's remarks.
"""

from __future__ import annotations

import json
from collections.abc import Mapping
from dataclasses import dataclass, replace
from datetime import UTC, datetime
from pathlib import Path
from typing import Literal

from acquire.bench import LoadedBench, parse_bench
from acquire.errors import RefusedError
from acquire.recipe import LoadedRecipe, parse_recipe
from acquire.run.evaluation import exit_code
from acquire.run.events import Emitter, Listener
from acquire.run.fixture import Gate
from acquire.run.instruments import OVER_VISA, Openers
from acquire.run.plan import Plan, Step
from acquire.run.runner import carry_out, prepare
from acquire.run.session import RunOutcome, Session
from acquire.run.stop import StopFlag
from acquire.runfile.completeness import missing_shots
from acquire.runfile.finish import finish_run
from acquire.runfile.reader import RunFile
from acquire.runfile.records import InstrumentRecord, ShotEntry
from acquire.runfile.spool import Spool

Break = Literal["nothing stored", "no target missing", "reference follows", "reference added"]

WORDS: Mapping[Break, str] = {
    "nothing stored": "no shot was stored before the break, so nothing reaches over it",
    "no target missing": "every target was stored before the break, so no comparison with a later "
    "target reaches over it",
    "reference follows": "the references before and after the break show what the source did "
    "meanwhile; their difference is in the drift and in the budget",
    "reference added": "no reference was to come after the break, so one was added after the last "
    "target; its difference from the one before is in the drift and in the budget",
}
"""What is said of a break, in the events and in the result."""


@dataclass(frozen=True, slots=True)
class BreakDecision:
    """What a break means for the rest of the run."""

    kind: Break
    plan: Plan

    @property
    def text(self) -> str:
        """The decision in words."""
        return WORDS[self.kind]


def resume(
    folder: Path,
    *,
    bench: LoadedBench | None = None,
    gate: Gate | None = None,
    on_event: Listener = lambda _event: None,
    stop: StopFlag | None = None,
    openers: Openers = OVER_VISA,
) -> RunOutcome:
    """Go on with the run in ``folder``.

    Parameters
    ----------
    folder : the spool that the broken run left. Where the run is complete and only its spool was
        not tidied away, that is made up for, and the outcome is the stored one.
    bench : the bench profile; it must be the one that the run began with. None = as stored.
    gate, on_event, stop : as in ``acquire.run.runner.run``.

    Raises
    ------
    RefusedError, DamagedFileError, BadInputError
        Nothing was changed.
    InstrumentFault, Interrupted
        As in ``acquire.run.runner.run``; the spool is kept as it was.
    """
    if folder.name in ("", ".."):  # such as ".", which has no name to put a suffix to
        folder = folder.resolve()
    stored = finish_run(folder)
    if stored is not None:
        return _already_stored(stored)
    with Spool.open(folder) as spool:
        recipe = _recipe(spool)
        bench = bench or _stored_bench(spool)
        _require_bench(spool, bench)
        before = spool.instruments  # read here: what is damaged is refused before any contact
        events = Emitter(on_event)
        job = prepare(recipe, bench, events, gate, stop or StopFlag(), openers)
        if job.plan.sha256 != spool.header.plan_sha256:
            raise RefusedError(
                f"{folder}: this version compiles another plan than {spool.header.software} did; "
                "resume the run with that version, or begin a new one"
            )
        broken = _last_event(spool)
        decision = decide(job.plan, spool.shots(), _added_before(spool))
        job.plan = decision.plan
        job.path = folder.with_suffix(".h5")

        gone = missing_shots(
            ((event.name, event.data) for event in spool.events.stream()),
            {entry.name for entry in spool.shots()},
        )

        def begin(session: Session) -> None:
            _require_instruments(before, session)
            _require_settings(spool.shots(), session)
            for shot in gone:
                job.events.emit("shot_gone", shot=shot)
            job.events.emit(
                "run_resumed", run_id=spool.header.run_id, stored_shots=len(spool.shots()),
                break_seconds=(session.clock.utc() - broken).total_seconds(),
                decision=decision.text, kind=decision.kind,
            )  # fmt: skip

        return carry_out(job, lambda: spool, begin)


# -- the break -------------------------------------------------------------------------------------


def decide(plan: Plan, stored: tuple[ShotEntry, ...], added_before: bool = False) -> BreakDecision:
    """Decide what a break after the stored shots means. Pure.

    Parameters
    ----------
    plan : as compiled; a reference that an earlier resume added is put in first.
    stored : the shots so far.
    added_before : whether an earlier resume added a reference.
    """
    plan = with_reference(plan) if added_before else plan
    taken = {entry.step for entry in stored}
    if not stored:
        return BreakDecision("nothing stored", plan)
    missing = {
        role: [i for i, s in enumerate(plan.steps) if s.role == role and _is_missing(i, s, taken)]
        for role in ("target", "reference")
    }
    if not missing["target"]:
        return BreakDecision("no target missing", plan)
    if any(index > missing["target"][-1] for index in missing["reference"]):
        return BreakDecision("reference follows", plan)
    if all(entry.role != "reference" for entry in stored):
        return BreakDecision("nothing stored", plan)
    return BreakDecision("reference added", with_reference(plan))


def _is_missing(index: int, step: Step, taken: set[int]) -> bool:
    return step.kind == "capture" and index not in taken


def with_reference(plan: Plan) -> Plan:
    """Return the plan with a reference shot after its last target. Pure, and always the same."""
    captures = [(i, s) for i, s in enumerate(plan.steps) if s.kind == "capture"]
    last = max(i for i, s in captures if s.role == "target")
    opening, shot = next((i, s) for i, s in captures if s.role == "reference")
    begins = max(i for i, s in enumerate(plan.steps[:opening]) if s.kind == "condition")
    enter = [s for s in plan.steps[begins:opening] if s.kind in ("condition", "continuity")]
    ranging = replace(
        plan.steps[opening - 1],
        text="keep the vertical ranges of the opening reference, unless it clips",
        reuse_ranges=True,
        seconds=0.0,
    )
    shot = replace(shot, text=f"{shot.text} (added: the run was broken off before the last target)")
    added = (*enter, ranging, shot)
    back = _enter_again(plan, last)
    steps = (*plan.steps[: last + 1], *added, *back, *plan.steps[last + 1 :])
    return replace(plan, steps=steps, hands=sum(step.by_hand for step in steps))


def _enter_again(plan: Plan, last: int) -> tuple[Step, ...]:
    """Return the steps that set the last target's condition again, where later shots need it."""
    for step in plan.steps[last + 1 :]:
        if step.kind == "condition":
            return ()
        if step.kind in ("capture", "floor"):
            break
    else:
        return ()
    enters = [i for i in range(last) if plan.steps[i].kind == "condition"]
    following = enters[-1] + 1
    checks = (plan.steps[following],) if plan.steps[following].kind == "continuity" else ()
    return (plan.steps[enters[-1]], *checks)


# -- what has to be proven -------------------------------------------------------------------------


def _recipe(spool: Spool) -> LoadedRecipe:
    header = spool.header
    recipe = parse_recipe(header.recipe_text, header.recipe_name)
    if recipe.sha256 != header.recipe_sha256:
        raise RefusedError(
            f"{spool.folder}: this version reads the stored recipe otherwise than "
            f"{header.software} did; resume the run with that version, or begin a new one"
        )
    return recipe


def _stored_bench(spool: Spool) -> LoadedBench:
    header = spool.header
    return parse_bench(header.bench_text, header.bench_name, probe_texts=header.probe_texts)


def _require_bench(spool: Spool, bench: LoadedBench) -> None:
    header = spool.header
    if bench.sha256 != header.bench_sha256:
        raise RefusedError(
            f"{bench.name} is not the bench profile that this run began with ({header.bench_name}, "
            f"SHA-256 {header.bench_sha256[:12]}..., found {bench.sha256[:12]}...); a run is never "
            "continued on another bench. Restore the profile, or begin a new run"
        )
    now = datetime.now(UTC)
    last = _last_event(spool)
    if now < last:
        raise RefusedError(
            f"this machine's clock shows {now:%Y-%m-%d %H:%M:%S} UTC, but the run's last event is "
            f"of {last:%Y-%m-%d %H:%M:%S} UTC; set the clock"
        )


def _last_event(spool: Spool) -> datetime:
    last = spool.header.started
    for event in spool.events.stream():
        last = max(last, event.at)
    return last


def _added_before(spool: Spool) -> bool:
    return any(
        event.name == "run_resumed" and event.data.get("kind") == "reference added"
        for event in spool.events.stream()
    )


def _require_instruments(before: list[InstrumentRecord], session: Session) -> None:
    found = {role: driver.identity.raw for role, driver in session.instruments.met()}
    for record in before:
        answers = found.get(record.role, "")
        if _unit(answers) != _unit(record.idn):
            raise RefusedError(
                f"{record.role} ({record.resource}): {answers!r} answers, but the run began with "
                f"{record.idn!r}; connect that unit, or begin a new run"
            )


def _unit(idn: str) -> list[str]:
    """Return maker, model and serial number; a new firmware is still the same unit."""
    return [field.strip().casefold() for field in idn.split(",")[:3]]


def _require_settings(stored: tuple[ShotEntry, ...], session: Session) -> None:
    if not stored:
        return
    entry, setup = stored[0], session.setup
    assert setup.acquisition is not None
    differences = []
    if setup.acquisition.record_length != entry.header.record_length:
        differences.append(
            f"record length {setup.acquisition.record_length}, before {entry.header.record_length}"
        )
    if abs(entry.interval * setup.acquisition.sample_rate - 1) > 1e-3:
        differences.append(
            f"sample rate {setup.acquisition.sample_rate:g}, before {1 / entry.interval:g}"
        )
    before = {c.quantity: (c.channel, c.coupling, c.input_impedance) for c in entry.header.channels}
    now = {c.quantity: (c.channel, c.coupling, c.input_impedance) for c in setup.records()}
    if before != now:
        differences.append(f"inputs {now}, before {before}")
    if differences:
        raise RefusedError(
            "the oscilloscope reads back other settings than before the break: "
            + "; ".join(differences)
            + ". Shots under different settings do not belong into one run; begin a new one"
        )


def _already_stored(path: Path) -> RunOutcome:
    with RunFile.open(path) as file:
        text, state = file.document, file.state
    document = json.loads(text or "{}")
    return RunOutcome(
        exit_code(document), state, path, document=document, document_json=text,
        reason="this run was complete already: its file was read back and is whole, and nothing is "
        "left to do",
    )  # fmt: skip
