"""``floorshot reanalyse``: the result anew, from the raw codes, with other choices."""

from __future__ import annotations

import re
from pathlib import Path
from typing import TYPE_CHECKING, Any

import click

from acquire.cli import console
from acquire.cli.options import quantity_option, run_file_argument
from acquire.cli.run import EXIT_CODES
from acquire.errors import BadInputError

if TYPE_CHECKING:
    from acquire.recipe import LoadedRecipe
    from acquire.recipe.schema import Analysis


def _known_correction(
    _ctx: click.Context, _option: click.Parameter, value: str | None
) -> str | None:
    from acquire.analysis.corrections import CORRECTIONS
    from acquire.textfile import did_you_mean

    known = ("auto", *CORRECTIONS)
    if value is not None and value not in known:
        raise click.BadParameter(f"there is no correction '{value}'{did_you_mean(value, known)}")
    return value


def _known_measures(
    _ctx: click.Context, _option: click.Parameter, values: tuple[str, ...]
) -> tuple[str, ...]:
    from acquire.analysis.measures import MEASURES
    from acquire.textfile import did_you_mean

    for value in values:
        if value not in MEASURES:
            raise click.BadParameter(
                f"there is no measure '{value}'{did_you_mean(value, MEASURES)}"
            )
    return values


@click.command(
    short_help="Compute the result anew, with other choices.",
    epilog=f"{EXIT_CODES.split(' After 4')[0]} Here, 4 and 5 do not occur.",
)
@run_file_argument
@click.option(
    "--recipe",
    "recipe_path",
    metavar="RECIPE",
    help="Take analysis choices and limits from this recipe; what it measures must be the same.",
)
@click.option(
    "--correction",
    metavar="NAME",
    callback=_known_correction,
    help="auto, none, amplitude, power or coherent.",
)
@click.option(
    "--measure",
    "measures",
    multiple=True,
    metavar="NAME",
    callback=_known_measures,
    help="May be repeated. [default: the recipe's]",
)
@quantity_option("--coverage", "%", help="Of every interval, such as '99 %'.")
@quantity_option("--margin", "dB", help="A target less than this above the floor is floor-limited.")
@quantity_option("--drift-allowance", "dB", help="Largest accepted change of the reference.")
@click.option("--dry-run", is_flag=True, help="Only show; store nothing.")
def command(
    file: Path,
    recipe_path: str | None,
    correction: str | None,
    measures: tuple[str, ...],
    coverage: float | None,
    margin: float | None,
    drift_allowance: float | None,
    dry_run: bool,
) -> int:
    """Compute the result of run file FILE anew from its raw codes, and store it beside the first.

    What is not given is as in the run's own recipe. Nothing that was measured changes, no stored
    result is replaced, and the same choices give the same result to the byte.

    \b
    Examples:
      floorshot reanalyse FILE --correction coherent --coverage '99 %'
      floorshot reanalyse FILE --recipe stricter_limits.yaml
      floorshot reanalyse FILE --measure peak_to_peak --measure rms --dry-run
    """
    from acquire.recipe import load_recipe
    from acquire.run.reanalyse import reanalyse

    changes: dict[str, Any] = {
        "correction": correction,
        "measures": measures or None,
        "coverage": coverage,
        "margin": margin,
        "drift_allowance": drift_allowance,
    }
    changes = {name: value for name, value in changes.items() if value is not None}
    recipe = None
    if recipe_path is not None:
        from acquire.cli.names import locate

        recipe = load_recipe(locate("recipe", recipe_path))
    if changes:
        recipe = _own_recipe(file) if recipe is None else recipe
        require_measures_of_limits(recipe, measures)
        recipe = with_choices(recipe, changes)
    console.note("computing the result (a minute or more where records are long)")
    found, name = reanalyse(file, recipe=recipe, store=not dry_run)
    console.show_result(found.document)
    if name:
        console.say(f"\nStored in {file} as '{name}'; the earlier results are unchanged.")
    return int(found.exit_code)


def require_measures_of_limits(recipe: LoadedRecipe, measures: tuple[str, ...]) -> None:
    """Refuse chosen measures that leave a limit of the recipe without its number.

    Raises
    ------
    BadInputError
        With the measures to add; an empty choice means those of the recipe.
    """
    limited = dict.fromkeys(limit.measure for limit in recipe.recipe.limits)
    missing = [measure for measure in limited if measures and measure not in measures]
    if missing:
        wanted = " ".join(f"--measure {measure}" for measure in missing)
        raise BadInputError(
            f"{recipe.name} sets limits on {', '.join(missing)}, which could not be judged: add "
            f"{wanted}, or give a recipe without these limits with --recipe"
        )


def _own_recipe(file: Path) -> LoadedRecipe:
    from acquire.recipe import parse_recipe
    from acquire.runfile import RunFile

    with RunFile.open(file) as run:
        return parse_recipe(run.header.recipe_text, run.header.recipe_name)


def with_choices(recipe: LoadedRecipe, changes: dict[str, Any]) -> LoadedRecipe:
    """Return the recipe with other analysis choices, as a text that can be stored.

    Parameters
    ----------
    recipe : stays as it is.
    changes : keys of the recipe's ``analysis`` block, SI values.

    Raises
    ------
    BadInputError
        If a choice does not exist, or the block cannot be told from the rest of the text.
    """
    from acquire.recipe import parse_recipe

    analysis = recipe.recipe.analysis.model_copy(update=changes)
    text = _BLOCK.sub("", recipe.text)
    changed = parse_recipe(f"{text.rstrip()}\n\n{_block(analysis)}", recipe.name)
    kept = changed.recipe.model_copy(update={"analysis": recipe.recipe.analysis})
    if kept != recipe.recipe:
        raise BadInputError(
            f"{recipe.name}: its analysis block cannot be replaced; write a recipe with the wanted "
            "one and give it with --recipe"
        )
    return changed


_BLOCK = re.compile(r"^analysis:.*\n?(?:(?:[ \t]+.*|[ \t]*(?:#.*)?)\n)*", re.MULTILINE)


def _block(analysis: Analysis) -> str:
    return (
        "analysis:\n"
        f"  correction: {analysis.correction}\n"
        f"  measures: [{', '.join(analysis.measures)}]\n"
        f"  coverage: {100 * analysis.coverage:.10g} %\n"
        f"  margin: {analysis.margin:.10g} dB\n"
        f"  drift_allowance: {analysis.drift_allowance:.10g} dB\n"
    )
