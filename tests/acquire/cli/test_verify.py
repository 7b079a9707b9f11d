"""What ``floorshot verify`` says: each finding once, with every place where it was found."""

from __future__ import annotations

from click.testing import CliRunner

from acquire.cli.verify import command
from acquire.runfile.records import Damage


def test_what_is_found_in_many_places_is_said_once_and_names_them_all(monkeypatch):
    found = [
        Damage("a.h5", "/bench", "cannot be read"),
        Damage("a.h5", "/recipe", "cannot be read"),
        Damage("a.h5", "", "the seal is broken"),
        Damage("b.h5", "/recipe", "cannot be read"),
    ]
    monkeypatch.setattr("acquire.runfile.verify", lambda _: found)

    told = CliRunner().invoke(command, ["a.h5"], standalone_mode=False)

    assert told.return_value == 2
    assert told.stderr.splitlines() == [
        "a.h5: /bench, /recipe: cannot be read",
        "a.h5: the seal is broken",
        "b.h5: /recipe: cannot be read",
    ]
