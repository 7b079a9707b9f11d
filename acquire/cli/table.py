"""The result as a practitioner reads it: a table per quantity and measure, then its background.

Everything is taken from the result document (``acquire.analysis.document``), so that a run just
finished and a file from last year look alike. Two lines a candidate fit 80 columns; from
``WIDE`` columns on, each number has a column of its own; below ``NARROW`` columns, each candidate
has lines instead of columns. Colour repeats words, never replaces them.
"""

from __future__ import annotations

from collections.abc import Sequence
from datetime import UTC, datetime
from itertools import groupby

from rich.console import Group, RenderableType
from rich.rule import Rule
from rich.table import Table
from rich.text import Text

from acquire.cli import background, numbers
from acquire.cli.background import Document

WIDE = 116
"""Columns from which each number has its own column."""

NARROW = 76
"""Columns below which a table would lose cells; `background` needs less."""

Row = tuple[str, str]
"""A name and what stands beside it."""

_STYLE = {
    "pass": "green",
    "fail": "bold red",
    "undecided": "yellow",
    "resolved": "",
    "floor-limited": "yellow",
    "invalid": "bold red",
}


def render(
    document: Document, *, width: int, label: str = "", equipment: Sequence[Row] = ()
) -> RenderableType:
    """Lay out a result document.

    Parameters
    ----------
    document : as in the result schema.
    width : columns at hand.
    label : which of several results this is; empty = not said.
    equipment : what was measured with, as names and texts.
    """
    results = _by_heading(document["results"])
    parts: list[RenderableType] = [_head(document, label)]
    for (quantity, measure), group in groupby(results, key=_heading):
        title = Text(f" {quantity}, {measure}", style="bold")
        parts += [Text(), Rule(title, align="left", style="dim")]
        parts.append(_rows(list(group), document["limits"], width))
    parts += background.sections(document, results, narrow=width < NARROW)
    if equipment:
        parts += [Text("\nMeasured with", style="bold"), _pairs(equipment, indent="  ")]
    parts.append(Text.assemble("\n", _verdict_line(document)))
    return Group(*parts)


def _head(document: Document, label: str) -> RenderableType:
    """Say whose result this is: what a data sheet needs beside the numbers."""
    run = document["run"]
    rows = [
        ("run", ", ".join(filter(None, (run.get("run_id"), run.get("state"))))),
        ("when", _span(run.get("started"), run.get("ended"))),
        ("site", run.get("site")),
        ("recipe", _hashed(run, "recipe")),
        ("bench", _hashed(run, "bench")),
        ("program", run.get("software")),
        ("result", label),
        ("intervals", _coverage(document["results"])),
    ]
    known = [(name, text) for name, text in rows if text]
    return Group(Text(f"\n{run.get('title', '')}", style="bold"), _pairs(known))


def _span(started: str | None, ended: str | None) -> str:
    moments = [datetime.fromisoformat(at).astimezone(UTC) for at in (started, ended) if at]
    if not moments:
        return ""
    first, last = moments[0], moments[-1]
    until = f"{last:%H:%M:%S}" if last.date() == first.date() else f"{last:%Y-%m-%d %H:%M:%S}"
    return f"{first:%Y-%m-%d %H:%M:%S} to {until} UTC"


def _hashed(run: Document, what: str) -> str:
    """Return a file's name and the beginning of its content hash, by which to know it again."""
    name, digest = run.get(what), run.get(f"{what}_sha256")
    return f"{name} (SHA-256 {digest[:12]})" if name and digest else name or ""


def _coverage(results: Sequence[Document]) -> str:
    found = sorted({result["attenuation"]["coverage"] for result in results})
    return f"at {' and '.join(f'{100 * one:g} %' for one in found)} coverage" if found else ""


def _pairs(rows: Sequence[Row], indent: str = "") -> Table:
    table = Table.grid(padding=(0, 2, 0, 0))
    for name, text in rows:
        table.add_row(f"{indent}{name}", text)
    return table


def _heading(result: Document) -> tuple[str, str]:
    return result["quantity"], result["measure"]


def _by_heading(results: Sequence[Document]) -> list[Document]:
    """Order by first appearance of each quantity and measure, keeping the candidates' order."""
    order = list(dict.fromkeys(map(_heading, results)))
    return sorted(results, key=lambda result: order.index(_heading(result)))


def _rows(results: Sequence[Document], limits: Sequence[Document], width: int) -> RenderableType:
    if width < NARROW:
        return Group(*(_block(result, verdict_of(result, limits)) for result in results))
    return _table(results, limits, wide=width >= WIDE)


def _block(result: Document, verdict: str) -> Text:
    """Return one result as lines, for a terminal that is too narrow for a table."""
    attenuation = result["attenuation"]
    found = (
        numbers.attenuation(attenuation),
        numbers.interval(attenuation),
        numbers.ratio(attenuation),
    )
    levels = ", ".join(
        f"{name} {numbers.level(result[key])}"
        for name, key in (("reference", "reference"), ("residual", "corrected"), ("floor", "floor"))
    )
    return Text("\n").join(
        [
            Text(f"{result['condition']}: {', '.join(filter(None, found))}"),
            Text(f"  {levels}"),
            Text.assemble("  ", _word(attenuation["state"]), ", ", _word(verdict)),
        ]
    )


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
        table.add_row(*cells(result, verdict_of(result, limits)))
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


def verdict_of(result: Document, limits: Sequence[Document]) -> str:
    """Return the worst verdict of the limits set on one result, or that there is none."""
    wanted = (result["condition"], *_heading(result))
    verdicts = [
        limit["verdict"]
        for limit in limits
        if (limit["condition"], limit["quantity"], limit["measure"]) == wanted
    ]
    return next((verdict for verdict in _SEVERITY if verdict in verdicts), "no limit")


def _verdict_line(document: Document) -> Text:
    verdict = document["verdict"]
    if verdict is None:
        return Text("No limit is set in the recipe, so there is no verdict.")
    return Text.assemble("Verdict of the run: ", (verdict, _STYLE[verdict]))
