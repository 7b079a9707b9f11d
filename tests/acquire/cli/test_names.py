"""A recipe or bench is found by path or by the name of a shipped one."""

import pytest

from acquire.cli import names
from acquire.errors import BadInputError


def test_a_path_goes_before_a_shipped_name(tmp_path, monkeypatch):
    monkeypatch.chdir(tmp_path)
    (tmp_path / "bonding_lead").write_text("mine")

    assert names.locate("recipe", "bonding_lead").read_text() == "mine"


@pytest.mark.parametrize(
    ("kind", "name"), [("recipe", "bonding_lead"), ("bench", "wind_tunnel_simulated")]
)
def test_a_shipped_name_is_found(kind, name, tmp_path, monkeypatch):
    monkeypatch.chdir(tmp_path)

    assert names.locate(kind, name).is_file()


def test_a_near_miss_is_named(tmp_path, monkeypatch):
    monkeypatch.chdir(tmp_path)

    with pytest.raises(BadInputError, match="did you mean 'bonding_lead'"):
        names.locate("recipe", "bonding_led")


def test_a_folder_is_no_recipe(tmp_path):
    with pytest.raises(BadInputError, match="this is a folder"):
        names.locate("recipe", str(tmp_path))
