"""From plain data to a model: every mistake at once, each at its place and in our own words."""

from __future__ import annotations

import re
from collections.abc import Callable, Iterable, Iterator, Mapping
from typing import Any, TypeVar, cast

from pydantic import BaseModel, ValidationError
from pydantic_core import ErrorDetails

from acquire.errors import BadInputError, Problem
from acquire.textfile.nearest import did_you_mean
from acquire.textfile.reader import MOST_MISTAKES
from acquire.textfile.salvage import salvage
from acquire.textfile.schema_walk import settings_at
from acquire.textfile.sentences import FORMAT_KEY, sentence
from acquire.textfile.source import Path, TextSource

M = TypeVar("M", bound=BaseModel)

Complaint = tuple[Path, str]
"""Path of the value that is wrong, and what to say about it; where the name itself is wrong, the
path ends in `OF_KEY`."""
OF_KEY = "[key]"
Check = Callable[[], Iterable[Complaint]]
"""One check of meaning, ready to run; it ends where it needs a value that is not there."""


def validated(
    source: TextSource,
    model: type[M],
    checks: Callable[[M], Iterable[Check]] = lambda _model: (),
) -> M:
    """Return the model that the text describes.

    Parameters
    ----------
    source : the text, read.
    model : what it should be.
    checks : the checks of meaning, given the model. Where the form is wrong somewhere, they run on
        what is right (see ``salvage``), so that one reading tells every mistake.

    Raises
    ------
    BadInputError
        With every mistake, in the order of the text.
    """
    problems = list(source.mistakes)
    other = list(_another_format(source, model))
    if other:
        raise BadInputError(_in_order([*problems, *other]))
    try:
        result = model.model_validate(source.data)
    except ValidationError as error:
        problems += _of_form(source, model, error.errors(include_url=False)[:MOST_MISTAKES])
        remains = cast("M", salvage(model, source.data))
        for check in _guarded(checks(remains)):
            problems += [_of_meaning(source, *complaint) for complaint in _guarded(check())]
    else:
        for check in checks(result):
            problems += [_of_meaning(source, *complaint) for complaint in check()]
        if not problems:
            return result
    raise BadInputError(_in_order(problems))


def _of_meaning(source: TextSource, loc: Path, message: str) -> Problem:
    return source.problem(loc, message, key=loc[-1:] == (OF_KEY,))


def _another_format(source: TextSource, model: type[BaseModel]) -> Iterator[Problem]:
    """Complain once of a file of another kind, instead of a hundred times of its keys."""
    own = next((name for name in model.model_fields if name.startswith(FORMAT_KEY)), None)
    data = source.data if isinstance(source.data, dict) else {}
    found = [key for key in data if key.startswith(FORMAT_KEY)]
    if own is not None and found and own not in found:
        message = f"this file is a {_kind(found[0])}; expected a {_kind(own)} ('{own}: 1')"
        yield source.problem((found[0],), message, key=True)


def _kind(key: str) -> str:
    return key.removeprefix(FORMAT_KEY)


T = TypeVar("T")


def _guarded(items: Iterable[T]) -> Iterator[T]:
    """Yield items until one needs an attribute that could not be salvaged."""
    try:
        yield from items
    except AttributeError:
        return


def _in_order(problems: Iterable[Problem]) -> list[Problem]:
    """Sort by place; of two complaints about the very same value the first is enough."""
    first: dict[tuple[int, int, str], Problem] = {}
    for problem in problems:
        first.setdefault((problem.line, problem.column, problem.field), problem)
    return [first[place] for place in sorted(first)]


def _of_form(
    source: TextSource, model: type[BaseModel], errors: list[ErrorDetails]
) -> list[Problem]:
    schema = model.model_json_schema()
    unknown = [e for e in errors if e["type"] == "extra_forbidden"]
    missing = {source.follow(e["loc"][:-1]): set[str]() for e in errors if e["type"] == "missing"}
    for e in errors:
        if e["type"] == "missing":
            missing[source.follow(e["loc"][:-1])].add(str(e["loc"][-1]))
    problems = [_unknown(source, schema, missing, e) for e in unknown]
    problems += [
        source.problem(
            path,
            f"the setting '{name}' is missing" + _example(schema, path, name),
            field=".".join(map(str, (*path, name))),
            key=True,
        )
        for path, names in missing.items()
        for name in sorted(names)
    ]
    for e in errors:
        if e["type"] in ("extra_forbidden", "missing"):
            continue
        of_key = e["loc"][-1:] == (OF_KEY,)
        path = source.follow(e["loc"])
        if e["type"].startswith("union_tag"):
            tag = str((e.get("ctx") or {}).get("discriminator", "")).strip("'")
            path = source.follow((*path, tag))
        problems.append(source.problem(path, sentence(e, of_key), key=of_key))
    return problems


def _unknown(
    source: TextSource,
    schema: Mapping[str, Any],
    missing: dict[Path, set[str]],
    error: ErrorDetails,
) -> Problem:
    """Complain of a key that does not exist; a misspelt one is not also told as missing."""
    path = source.follow(error["loc"])
    block, written = path[:-1], str(error["loc"][-1])
    used = {p[-1] for p in source.keys if p[:-1] == block}
    known = [name for name in settings_at(schema, block) if name not in used]
    advice = did_you_mean(written, known)
    meant = re.search(r"did you mean '(.*)'\?$", advice)
    if meant:
        missing.get(block, set()).discard(meant.group(1))
    return source.problem(path, f"there is no setting '{written}' here{advice}", key=True)


def _example(schema: Mapping[str, Any], path: Path, name: str) -> str:
    """Return ``; write it like '50 mV'`` where the schema knows an example."""
    examples = settings_at(schema, path).get(name, {}).get("examples")
    return f"; write it like '{examples[0]}'" if examples else ""
