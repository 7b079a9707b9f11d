"""Every schema is one, by the rules of JSON Schema itself (draft 2020-12, through jsonschema)."""

import json

import jsonschema
import pytest

from acquire.cli import invoke, schema


@pytest.mark.parametrize("what", schema.KINDS)
def test_it_prints_a_valid_schema(what, capsys):
    assert invoke(["schema", what]) == 0

    printed = json.loads(capsys.readouterr().out)
    jsonschema.Draft202012Validator.check_schema(printed)
    assert printed["type"] == "object"
    assert printed["properties"]


def test_a_recipe_with_an_unknown_key_is_wrong_by_the_schema():
    validator = jsonschema.Draft202012Validator(schema.schema_of("recipe"))

    messages = [error.message for error in validator.iter_errors({"addres": "TCPIP::x"})]

    assert any("addres" in message for message in messages)
    assert any("'title' is a required property" in message for message in messages)


def test_an_unknown_kind_is_bad_usage(capsys):
    assert invoke(["schema", "reciple"]) == 2
    assert "recipe" in capsys.readouterr().err
