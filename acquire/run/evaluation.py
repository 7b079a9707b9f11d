"""From stored shots to a result document: what the recipe chose, and what the run has to add.

The analysis knows arrays and choices; the run knows what went wrong on the way. Whatever a reader
of the result should know of that is taken from the event log, so that it cannot be forgotten.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass, replace
from datetime import datetime
from importlib import metadata

from acquire.analysis.document import to_document, to_json
from acquire.analysis.evaluate import evaluate
from acquire.analysis.inputs import Capture, Choices, Limit, Transducer
from acquire.analysis.results import Result
from acquire.bench import LoadedBench
from acquire.errors import ExitCode
from acquire.recipe import LoadedRecipe
from acquire.recipe.schema import Recipe
from acquire.runfile.records import Event, RunHeader, RunState


def software() -> str:
    """Return name and version of this program."""
    return f"floorshot {metadata.version('floorshot')}"


def choices_of(recipe: Recipe) -> Choices:
    """Return the recipe's analysis choices as the analysis wants them."""
    asked, source = recipe.analysis, recipe.acquisition.trigger.source
    return Choices(
        correction=asked.correction,
        measures=tuple(asked.measures),
        coverage=asked.coverage,
        margin=asked.margin,
        drift_allowance=asked.drift_allowance,
        trigger_quantity=source if source in recipe.quantities else None,
        limits=tuple(
            Limit(
                condition=limit.condition,
                quantity=limit.quantity,
                measure=limit.measure,
                attenuation_at_least=limit.attenuation_at_least,
                residual_at_most=(
                    None if limit.residual_at_most is None else limit.residual_at_most.value
                ),
            )
            for limit in recipe.limits
        ),
    )


def transducers_of(recipe: Recipe, bench: LoadedBench) -> dict[str, Transducer]:
    """Return the transducer of every quantity."""
    return {
        quantity: bench.probes[bench.bench.inputs[quantity].probe].transducer
        for quantity in recipe.quantities
    }


@dataclass(frozen=True, slots=True)
class Evaluated:
    """A result, and the same as a document and as its exact text."""

    result: Result
    document: Mapping[str, object]
    document_json: str

    @property
    def exit_code(self) -> ExitCode:
        """What ``floorshot run`` ends with."""
        return exit_code(self.document)


def evaluate_run(
    captures: Sequence[Capture],
    recipe: LoadedRecipe,
    header: RunHeader,
    events: Iterable[Event],
    *,
    state: RunState,
    ended: datetime,
) -> Evaluated:
    """Evaluate the shots of one run.

    Parameters
    ----------
    captures : of every stored shot.
    recipe, header, events : of the run.
    state, ended : how and when it ended. [UTC]
    """
    found = evaluate(captures, choices_of(recipe.recipe))
    wanted = {name for name, quantity in recipe.recipe.quantities.items() if quantity.evaluated}
    result = replace(
        found,  # a quantity that only triggers is needed for the alignment, not as a result
        results=tuple(r for r in found.results if r.quantity in wanted),
        drift=tuple(d for d in found.drift if d.quantity in wanted),
        remarks=(*found.remarks, *remarks_of(events)),
    )
    run = {
        "run_id": header.run_id,
        "title": recipe.recipe.title,
        "site": header.site,
        "recipe": header.recipe_name,
        "recipe_sha256": header.recipe_sha256,
        "bench": header.bench_name,
        "bench_sha256": header.bench_sha256,
        "plan_sha256": header.plan_sha256,
        "software": header.software,
        "started": header.started.isoformat(timespec="seconds"),
        "ended": ended.isoformat(timespec="seconds"),
        "state": state,
    }
    document = to_document(result, run)
    return Evaluated(result, document, to_json(document))


def remarks_of(events: Iterable[Event]) -> tuple[str, ...]:
    """Return what a reader of the result should know of how the run went."""
    found: list[str] = []
    for event in events:
        data = event.data
        match event.name:
            case "run_resumed":
                found.append(
                    f"the run was broken off for {_seconds(data.get('break_seconds'))}; shots "
                    f"stored by then: {data.get('stored_shots')}; {data.get('decision')}"
                )
            case "shot_gone":
                found.append(
                    f"{data.get('shot')} had been stored, but somebody removed its file before the "
                    "run was resumed; it was taken again"
                )
            case "level_suspect":
                found.append(str(data.get("text")))
            case "clock_jumped":
                found.append(f"the wall clock jumped by {_seconds(data.get('seconds'))}")
            case "finding" if data.get("level") == "warning":
                found.append(str(data.get("text")))
            case "fixture_unknown":
                found.append(f"the fixture could not be parked: {data.get('error')}")
            case "shot_stored":
                remarks = data.get("remarks")
                if isinstance(remarks, list):
                    found += [f"{data.get('shot')}: {remark}" for remark in remarks]
    return tuple(dict.fromkeys(found))


def exit_code(document: Mapping[str, object]) -> ExitCode:
    """Return what a finished run ends with, from its result document."""
    verdict = document.get("verdict")
    if verdict == "fail":
        return ExitCode.LIMIT_NOT_MET
    if verdict == "pass":
        return ExitCode.OK
    if verdict == "undecided":
        return ExitCode.UNDECIDED
    results = document.get("results")
    states = [
        entry["attenuation"]["state"] for entry in (results if isinstance(results, list) else [])
    ]
    return ExitCode.OK if set(states) == {"resolved"} else ExitCode.UNDECIDED


def _seconds(value: object) -> str:
    return f"{value:.0f} s" if isinstance(value, int | float) else "some time"
