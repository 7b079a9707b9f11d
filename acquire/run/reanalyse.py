"""Compute a finished run's result again from its raw codes, with other choices.

Only the analysis can be chosen anew: the correction, the measures, coverage, margin, drift
allowance and limits. What was measured, and how, is what it was. The new result is stored beside
the old one, never in its place.
"""

from __future__ import annotations

from pathlib import Path

from acquire.analysis.inputs import Transducer
from acquire.bench import parse_probe
from acquire.errors import DamagedFileError, RefusedError
from acquire.recipe import LoadedRecipe, parse_recipe
from acquire.recipe.schema import Recipe
from acquire.run.evaluation import Evaluated, evaluate_run, software
from acquire.runfile.reader import RunFile
from acquire.runfile.reanalysis import add_result

ANALYSED = frozenset({"title", "purpose", "analysis", "limits"})
"""What a recipe may say otherwise than the run's own: all else was measured."""


def reanalyse(
    path: Path, *, recipe: LoadedRecipe | None = None, store: bool = True
) -> tuple[Evaluated, str]:
    """Evaluate a run file again.

    Parameters
    ----------
    path : the run file.
    recipe : whose analysis choices and limits to use; None = the run's own, with today's program.
    store : whether to add the result to the run file.

    Returns
    -------
    The result, and the name it is stored under ("" where it is not).

    Raises
    ------
    RefusedError
        If the recipe asks for something else to be *measured* than the run's own.
    DamagedFileError
        If the run file is not what was written.
    """
    with RunFile.open(path) as file:
        own = parse_recipe(file.header.recipe_text, file.header.recipe_name)
        wanted = own if recipe is None else recipe
        _require_same_measurement(path, own.recipe, wanted)
        found = evaluate_run(
            file.captures(transducers_in(file)),
            wanted,
            file.header,
            file.stream_events(),
            state=file.state,
            ended=file.ended,
        )
    if not store:
        return found, ""
    text = "" if wanted.text == own.text else wanted.text
    return found, add_result(path, found.document_json, software=software(), recipe_text=text)


def transducers_in(file: RunFile) -> dict[str, Transducer]:
    """Return the transducer of every quantity of a run, from the probe texts that it keeps.

    Raises
    ------
    DamagedFileError
        If a probe's text is missing.
    """
    texts = file.header.probe_texts
    probes = {c.quantity: c.probe for shot in file.shots() for c in shot.header.channels}
    missing = sorted(set(probes.values()) - texts.keys())
    if missing:
        raise DamagedFileError(f"{file.path}: the text of the probe {missing[0]} is missing")
    return {
        quantity: parse_probe(texts[name], name, table_text=texts.get(f"{name}.csv")).transducer
        for quantity, name in probes.items()
    }


def _require_same_measurement(path: Path, own: Recipe, wanted: LoadedRecipe) -> None:
    before, now = own.model_dump(exclude=set(ANALYSED)), wanted.recipe.model_dump()
    differing = [name for name, value in before.items() if now[name] != value]
    if differing:
        raise RefusedError(
            f"{wanted.name}: {', '.join(differing)} differ from the recipe that {path} was "
            "measured with; only analysis and limits can be chosen anew. Measure again for the rest"
        )
