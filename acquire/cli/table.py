"""The result as a practitioner reads it: a table per quantity and measure, then its background.

Everything is taken from the result document (``acquire.analysis.document``), so that a run just
finished and a file from last year look alike. Two lines a candidate fit 80 columns; from
``WIDE`` columns on, each number has a column of its own. Colour repeats words, never replaces them.
"""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence
from itertools import groupby
from typing import Any

from rich.console import Group, RenderableType
from rich.rule import Rule
from rich.table import Table
from rich.text import Text

from acquire.cli import numbers

Document = Mapping[str, Any]
"""A result document, or a part of it, as JSON has it."""

WIDE = 116
"""Columns from which each number has its own column."""

_STYLE = {
    "pass": "green",
    "fail": "bold red",
    "undecided": "yellow",
    "resolved": "",
    "floor-limited": "yellow",
    "invalid": "bold red",
}


def render(document: Document, *, width: int) -> RenderableType:
    """Lay out a result document.

    Parameters
    ----------
    document : as in the result schema.
    width : columns at hand.
    """
    parts: list[RenderableType] = []
    results = document["results"]
    for (quantity, measure), group in groupby(_by_heading(results), key=_heading):
        title = Text(f" {quantity}, {measure}", style="bold")
        parts += [Text(), Rule(title, align="left", style="dim")]
        parts.append(_table(list(group), document["limits"], wide=width >= WIDE))
    parts += _section("How each number was made", map(_method_line, _by_heading(results)))
    parts += _section("Change of the reference during the run", _drift_lines(document))
    parts += _section("Limits", _limit_lines(document))
    parts += _section("Remarks", document.get("remarks", ()))
    parts.append(Text.assemble("\n", _verdict_line(document)))
    return Group(*parts)


def _heading(result: Document) -> tuple[str, str]:
    return result["quantity"], result["measure"]


def _by_heading(results: Sequence[Document]) -> list[Document]:
    """Order by first appearance of each quantity and measure, keeping the candidates' order."""
    order = list(dict.fromkeys(map(_heading, results)))
    return sorted(results, key=lambda result: order.index(_heading(result)))


def _table(results: Sequence[Document], limits: Sequence[Document], *, wide: bool) -> Table:
    table = Table(box=None, pad_edge=False, padding=(0, 2 if wide else 1, 0, 0))
    table.add_column("Candidate", min_width=10, overflow="fold")
    for name in ("Reference", "Target", "Floor", "Residual", "Ratio") if wide else _NARROW_LEVELS:
        table.add_column(name, justify="right", no_wrap=True)
    table.add_column("Attenuation", no_wrap=True)
    for name in ("State", "Verdict") if wide else ("State, verdict",):
        table.add_column(name, no_wrap=True)
    for result in results:
        cells = _wide_cells if wide else _narrow_cells
        table.add_row(*cells(result, _verdict_of(result, limits)))
    return table


_NARROW_LEVELS = ("Reference", "Residual", "Floor")


def _wide_cells(result: Document, verdict: str) -> list[Text | str]:
    attenuation = result["attenuation"]
    value = (numbers.attenuation(attenuation), numbers.interval(attenuation))
    return [
        result["condition"],
        *(numbers.level(result[name]) for name in ("reference", "observed", "floor", "corrected")),
        numbers.ratio(attenuation),
        ", ".join(filter(None, value)),
        _word(attenuation["state"]),
        _word(verdict),
    ]


def _narrow_cells(result: Document, verdict: str) -> list[Text | str]:
    attenuation = result["attenuation"]
    value, ratio = numbers.attenuation(attenuation), numbers.ratio(attenuation)
    interval = numbers.interval(attenuation)
    lines = (f"{value}  {ratio}", interval) if interval else (value, ratio)
    return [
        result["condition"],
        *(numbers.level(result[name]) for name in ("reference", "corrected", "floor")),
        "\n".join(filter(None, lines)),
        Text("\n").join([_word(attenuation["state"]), _word(verdict)]),
    ]


def _word(word: str) -> Text:
    return Text(word, style=_STYLE.get(word, ""))


_SEVERITY = ("fail", "undecided", "pass")


def _verdict_of(result: Document, limits: Sequence[Document]) -> str:
    """Return the worst verdict of the limits set on one result, or that there is none."""
    wanted = (result["condition"], *_heading(result))
    verdicts = [
        limit["verdict"]
        for limit in limits
        if (limit["condition"], limit["quantity"], limit["measure"]) == wanted
    ]
    return next((verdict for verdict in _SEVERITY if verdict in verdicts), "no limit")


def _section(title: str, lines: Iterator[str] | Sequence[str]) -> list[RenderableType]:
    listed = Table.grid(padding=(0, 1, 0, 0))
    for line in lines:
        listed.add_row("  -", line)
    return [Text(f"\n{title}", style="bold"), listed] if listed.row_count else []


def _method_line(result: Document) -> str:
    """Say which correction, why that one, why this state, and what the interval is made of."""
    attenuation = result["attenuation"]
    name = f"{result['condition']}, {result['quantity']}, {result['measure']}"
    why = result["why_method"].removeprefix(f"{attenuation['method']}: ")
    sentences = [f"{name}: correction {attenuation['method']}: {_clause(why)}"]
    if attenuation["state"] != "resolved":
        sentences.append(f"{attenuation['state']}: {_clause(attenuation['reason'])}")
    largest = _largest_contributions(result["budget"])
    if largest:
        sentences.append(f"Interval mostly from {' and '.join(largest)}.")
    sentences.extend(map(_clause, result.get("remarks", ())))
    return " ".join(sentences)


def _clause(text: str) -> str:
    text = text.strip()
    return text if not text or text[-1] in ".!?" else f"{text}."


def _largest_contributions(budget: Sequence[Document], count: int = 2) -> list[str]:
    def size(line: Document) -> float:
        return line["standard_uncertainty_db"] or 0.0

    lines = sorted((line for line in budget if size(line) > 0), key=size, reverse=True)
    return [
        f"{line['source']} ({numbers.uncertainty_db(size(line))}, type {line['kind']})"
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
        name = f"{limit['condition']}, {limit['quantity']}, {limit['measure']}"
        wanted = numbers.limit(limit, units.get(limit["quantity"], ""))
        yield f"{limit['verdict'].upper()}: {name}: {wanted}: {_clause(limit['reason'])}"


def _verdict_line(document: Document) -> Text:
    verdict = document["verdict"]
    if verdict is None:
        return Text("No limit is set in the recipe, so there is no verdict.")
    return Text.assemble("Verdict of the run: ", (verdict, _STYLE[verdict]))
