"""The state folder that a command is given means the same wherever its workers run."""

import click
from click.testing import CliRunner

from acquire.cli.daemon_parts import state_option


@click.command()
@state_option
def where(state):
    click.echo(state)


def test_a_relative_state_folder_is_made_absolute(tmp_path, monkeypatch):
    """A worker's working folder is the state folder itself, so a relative one would be lost."""
    monkeypatch.chdir(tmp_path)

    assert CliRunner().invoke(where, ["--state", "state"]).output.strip() == str(tmp_path / "state")
    shown = CliRunner().invoke(where, [], env={"FLOORSHOT_STATE": "other"}).output.strip()
    assert shown == str(tmp_path / "other")
