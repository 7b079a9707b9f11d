"""What was asked for goes to standard output, everything else to standard error."""

import os
import pty

from acquire.cli import console


def test_results_and_remarks_go_different_ways(capsys):
    console.say("asked for")
    console.note("meanwhile")
    console.complain("wrong")
    console.caution(["hot", "sharp"])

    shown = capsys.readouterr()
    assert shown.out == "asked for\n"
    assert shown.err == "meanwhile\nwrong\nCAUTION hot\nCAUTION sharp\n"


def test_a_pipe_has_its_own_width_and_columns_goes_before_it(capsys, monkeypatch):
    monkeypatch.delenv("COLUMNS", raising=False)
    assert console.rich_console().width == console.PLAIN_WIDTH
    monkeypatch.setenv("COLUMNS", "72")
    assert console.rich_console().width == 72


def test_markup_in_a_text_is_shown_and_not_obeyed(capsys):
    console.show("[bold]a[/bold] :smile:")

    assert capsys.readouterr().out == "[bold]a[/bold] :smile:\n"


def test_nobody_attends_a_pipe_and_somebody_a_terminal(monkeypatch):
    assert not console.is_attended()
    master, slave = pty.openpty()
    with os.fdopen(slave, "r") as keyboard:
        monkeypatch.setattr(console.sys, "stdin", keyboard)
        monkeypatch.setattr(console.sys, "stderr", keyboard)
        assert console.is_attended()
    os.close(master)


def test_a_pipe_gets_no_blanks_at_line_ends(capsys):
    from rich.table import Table

    table = Table("A", "B", box=None)
    table.add_row("1", "2")
    console.show(table)

    lines = capsys.readouterr().out.splitlines()
    assert lines == [line.rstrip() for line in lines]
    assert len(lines) == 2
