"""What ships can be listed and printed, and is itself right."""

import pytest

from acquire.bench import load_bench, parse_probe
from acquire.cli import invoke, names
from acquire.recipe import load_recipe


def test_the_list_has_every_shipped_file(capsys):
    assert invoke(["example"]) == 0

    listed = capsys.readouterr().out
    for kind in names.KINDS:
        assert names.shipped(kind)
        for name in names.shipped(kind):
            assert name in listed


@pytest.mark.parametrize(
    ("kind", "load"), [("recipe", load_recipe), ("bench", load_bench)], ids=["recipe", "bench"]
)
def test_a_printed_example_can_be_loaded(kind, load, tmp_path, capsys):
    for name in names.shipped(kind):
        assert invoke(["example", name]) == 0
        copy = tmp_path / f"{name}.yaml"
        copy.write_text(capsys.readouterr().out, encoding="utf-8")

        assert load(copy).name == copy.name


def test_a_printed_probe_can_be_read(capsys):
    assert invoke(["example", "clamp_5ohm"]) == 0

    assert parse_probe(capsys.readouterr().out, "clamp_5ohm").probe.kind == "current"


def test_a_near_miss_is_named(capsys):
    assert invoke(["example", "bonding_leed"]) == 2
    assert "did you mean 'bonding_lead'" in capsys.readouterr().err
