"""Compute a finished run's result again from its raw codes, with other choices.

Only the analysis can be chosen anew: the correction, the measures, coverage, margin, drift allowance
and limits. What was measured, and how, is what it was. The new result is stored beside the old
one, never in its place.
"""

from __future__ import annotations

from collections.abc import Mapping
from pathlib import Path

from acquire.analysis.inputs import Transducer
from acquire.bench import parse_probe
from acquire.errors import BadInputError, RefusedError
from acquire.recipe import LoadedRecipe, parse_recipe
from acquire.run.evaluation import Evaluated, choices_of, evaluate_run, software
from acquire.runfile.reader import RunFile
from acquire.runfile.reanalysis import add_result


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
