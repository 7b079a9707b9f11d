"""What stands below the tables of a result: how each number was made, and what was seen beside it.

A reason that several results share is printed once, under a number in brackets.
"""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence
from typing import Any

from rich.console import RenderableType
from rich.table import Table
from rich.text import Text

from acquire.cli import numbers

Document = Mapping[str, Any]
"""A result document, or a part of it, as JSON has it."""


def sections(
    document: Document, results: Sequence[Document], *, narrow: bool = False
) -> list[RenderableType]:
    """Lay out everything below the tables.

    Parameters
    ----------
    document : the whole result document.
    results : its results, in the order of the tables.
    narrow : whether there is no room for a table.
    """
    return [
        *_methods(results, narrow=narrow),
        *section("Change of the reference during the run", _drift_lines(document)),
        *section("Limits", _limit_lines(document)),
        *section("Remarks", document.get("remarks", ())),
    ]


def section(title: str, lines: Iterator[str] | Sequence[str]) -> list[RenderableType]:
    """Return a title and its lines; nothing where there is no line."""
    return _titled(title, [("  -", line) for line in lines])


def _titled(title: str, rows: Sequence[tuple[str, str]]) -> list[RenderableType]:
    listed = Table.grid(padding=(0, 1, 0, 0))
    for mark, line in rows:
        listed.add_row(mark, line)
    return [Text(f"\n{title}", style="bold"), listed] if rows else []


def _methods(results: Sequence[Document], *, narrow: bool) -> list[RenderableType]:
    """Say which correction, why that one, why this state, and what the interval is made of."""
    reasons = list(dict.fromkeys(map(_why, results)))
    quantities = {result["quantity"] for result in results}
    made = [_made(result, reasons, several=len(quantities) > 1) for result in results]
    of_one = f" of {next(iter(quantities))}" if len(quantities) == 1 else ""
    title = f"How each number{of_one} was made"
    if narrow:
        lines = [
            f"{name}: {how}; largest u [dB]: {', '.join(u) or 'none known'}"
            for name, how, u in made
        ]
        parts = section(title, lines)
    else:
        parts = [Text(f"\n{title}", style="bold"), _method_table(made)] if made else []
    numbered = [(f"[{n}]", text) for n, text in enumerate(reasons, start=1)]
    return [
        *parts,
        *_titled("Why this correction", numbered),
        *section("To note", _notes(results)),
    ]


def _made(result: Document, reasons: Sequence[str], *, several: bool) -> tuple[str, str, list[str]]:
    """Return whose number it is, the correction with its reason's number, and what u is made of."""
    condition, quantity, measure = _name(result)
    name = (condition, quantity, measure) if several else (condition, measure)
    how = f"{result['attenuation']['method']} [{reasons.index(_why(result)) + 1}]"
    return ", ".join(name), how, _largest_contributions(result["budget"])


def _method_table(made: Sequence[tuple[str, str, Sequence[str]]]) -> Table:
    table = Table(box=None, pad_edge=False, padding=(0, 1, 0, 0))
    table.add_column("Result", overflow="fold")
    table.add_column("Correction", no_wrap=True)
    table.add_column("Largest u [dB], type (A, B), from")
    for name, how, contributions in made:
        table.add_row(name, how, "\n".join(contributions) or "none known")
    return table


def _name(result: Document) -> tuple[str, str, str]:
    return result["condition"], result["quantity"], result["measure"]


def _why(result: Document) -> str:
    method = result["attenuation"]["method"]
    return f"{method}: {_clause(result['why_method'].removeprefix(f'{method}: '))}"


def _notes(results: Sequence[Document]) -> Iterator[str]:
    for result in results:
        attenuation = result["attenuation"]
        sentences = [_clause(remark) for remark in result.get("remarks", ())]
        if attenuation["state"] != "resolved":
            sentences.insert(0, f"{attenuation['state']}: {_clause(attenuation['reason'])}")
        if sentences:
            yield f"{', '.join(_name(result))}: {' '.join(sentences)}"


def _clause(text: str) -> str:
    text = text.strip()
    return text if not text or text[-1] in ".!?" else f"{text}."


def _largest_contributions(budget: Sequence[Document], count: int = 2) -> list[str]:
    def size(line: Document) -> float:
        return line["standard_uncertainty_db"] or 0.0

    lines = sorted((line for line in budget if size(line) > 0), key=size, reverse=True)
    return [
        f"{numbers.uncertainty_db(size(line))} ({line['kind']}) {line['source']}"
        for line in lines[:count]
    ]


def _drift_lines(document: Document) -> Iterator[str]:
    for drift in document.get("drift", ()):
        within = (
            "within the recipe's allowance" if drift["within_allowance"] else "BEYOND allowance"
        )
        size = "unknown" if drift["db"] is None else f"{drift['db']:+.2f} dB"
        said = drift["remark"] or f"{size}, {within}"
        yield f"{drift['quantity']}, {drift['measure']}: {_clause(said)}"


def _limit_lines(document: Document) -> Iterator[str]:
    units = {r["quantity"]: r["reference"]["unit"] for r in document["results"]}
    for limit in document["limits"]:
        said = _clause(limit["reason"])
        if " against " not in said:  # such a reason names the limit itself
            said = f"{numbers.limit(limit, units.get(limit['quantity'], ''))}: {said}"
        yield f"{limit['verdict'].upper()}: {', '.join(_name(limit))}: {said}"
