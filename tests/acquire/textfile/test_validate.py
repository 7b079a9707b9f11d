"""Every mistake at once, each once, in the order of the text."""

from functools import partial
from typing import Annotated, Literal

import pytest
from pydantic import BaseModel, ConfigDict, Field

from acquire.errors import BadInputError
from acquire.quantities import Volts
from acquire.textfile import parse, validated


class Model(BaseModel):
    model_config = ConfigDict(strict=True, extra="forbid", frozen=True)


class Round(Model):
    kind: Literal["round"]
    radius: Volts


class Flat(Model):
    kind: Literal["flat"]
    width: Volts
    height: Volts = 1.0


class File(Model):
    floorshot_test: Literal[1]
    shape: Annotated[Round | Flat, Field(discriminator="kind")]
    first: Annotated[int, Field(ge=1)]
    second: int
    names: dict[Annotated[str, Field(pattern=r"^[a-z][a-z0-9_]{0,39}$")], int] = {}


def checks(file):
    yield partial(in_order, file)
    yield partial(not_seven, file)


def in_order(file):
    if file.first > file.second:
        yield ("first",), "first comes after second"


def not_seven(file):
    if file.second == 7:
        yield ("second",), "not seven"


def complaints(text):
    with pytest.raises(BadInputError) as caught:
        validated(parse(text, "x.yaml"), File, checks)
    return [(p.line, p.column, p.field, p.message) for p in caught.value.problems]


GOOD = "floorshot_test: 1\nshape: {kind: flat, width: 1 V}\nfirst: 1\nsecond: 2\n"


def test_a_right_text_gives_the_model():
    assert validated(parse(GOOD, "x"), File, checks).shape == Flat(kind="flat", width="1 V")


def test_form_and_meaning_are_told_together():
    assert complaints(
        "floorshot_test: 1\nshape: {kind: flat, width: 5}\nfirst: 8\nsecond: 7\nodd: 1\n"
    ) == [
        (2, 28, "shape.width", "5 has no unit; write it in V, like '50 mV'"),
        (3, 8, "first", "first comes after second"),
        (4, 9, "second", "not seven"),
        (5, 1, "odd", "there is no setting 'odd' here; there is names"),
    ]


def test_a_check_that_needs_a_wrong_value_is_passed_over_and_the_others_run():
    assert [
        c[2] for c in complaints(GOOD.replace("first: 1", "first: x").replace("2\n", "7\n"))
    ] == [
        "first",
        "second",
    ]


def test_a_misspelt_key_is_told_once():
    assert complaints(GOOD.replace("second", "secnod")) == [
        (4, 1, "secnod", "there is no setting 'secnod' here; did you mean 'second'?")
    ]


def test_a_missing_key_is_told_at_its_block_with_an_example():
    assert complaints(GOOD.replace(", width: 1 V", "")) == [
        (2, 1, "shape.width", "the setting 'width' is missing; write it like '50 mV'")
    ]


def test_a_key_of_another_kind_of_the_same_block_is_not_advised():
    ((_, _, field, message),) = complaints(GOOD.replace("width: 1 V", "width: 1 V, radius: 1 V"))

    assert field == "shape.radius"
    assert message == "there is no setting 'radius' here; there is height"


def test_an_unknown_kind_is_told_at_its_value():
    assert complaints(GOOD.replace("kind: flat", "kind: falt")) == [
        (2, 15, "shape.kind", "'falt' is not one of round, flat; did you mean 'flat'?")
    ]
    assert complaints(GOOD.replace("kind: flat, ", ""))[0][2] == "shape"


def test_a_wrong_name_is_told_at_its_key():
    assert complaints(GOOD + "names: {Bad one: 1}\n")[0][:3] == (5, 9, "names.Bad one")


def test_another_kind_of_file_is_told_once():
    assert complaints("floorshot_other: 1\na: 1\nb: 2\n") == [
        (1, 1, "floorshot_other", "this file is a other; expected a test ('floorshot_test: 1')")
    ]


def test_another_version_is_told():
    assert complaints(GOOD.replace("test: 1", "test: 2"))[0][3] == (
        "this program reads version 1 of this format; found 2"
    )


def test_mistakes_of_the_text_refuse_a_right_model():
    assert [c[3] for c in complaints(GOOD + "second: 3\n")] == [
        "'second' was given before, in line 4"
    ]


def test_a_fault_in_a_check_is_not_hidden_in_a_right_file():
    def broken(file):
        yield lambda: [((), file.no_such_thing)]

    with pytest.raises(AttributeError):
        validated(parse(GOOD, "x"), File, broken)


@pytest.mark.parametrize("text", ["5\n", "- 1\n", "text\n", "~\n"])
def test_what_is_no_block_is_told(text):
    ((line, column, field, message),) = complaints(text)

    assert (line, column, field) == (1, 1, "")
    assert message.startswith("expected a block of settings, found ")
