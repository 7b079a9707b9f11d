"""What is right in data that is wrong elsewhere."""

from typing import Annotated, Literal

import pytest
from pydantic import BaseModel, ConfigDict, Field

from acquire.textfile.salvage import salvage


class Inner(BaseModel):
    model_config = ConfigDict(strict=True, extra="forbid", frozen=True)

    number: Annotated[int, Field(ge=2)]
    word: Literal["a", "b"] = "a"


class Outer(BaseModel):
    model_config = ConfigDict(strict=True, extra="forbid", frozen=True)

    one: Inner
    many: tuple[Inner, ...]
    named: Annotated[dict[str, Inner], Field(min_length=1)]
    numbers: tuple[int, ...] = ()
    text: str = "left out"


def test_what_is_valid_is_there_and_what_is_not_is_not():
    found = salvage(
        Outer,
        {
            "one": {"number": 1, "word": "b", "unknown": 3},
            "many": ({"number": 2}, {"number": "x"}, 7),
            "named": {"good": {"number": 3}, "bad": {"word": "z"}},
        },
    )

    assert found.one.word == "b"
    assert not hasattr(found.one, "number")
    assert found.many[0] == Inner(number=2)
    assert found.many[1].word == "a"  # a default
    assert vars(found.many[2]) == {}  # it keeps its position
    assert found.named["good"].number == 3
    assert vars(found.named["bad"]) == {}
    assert found.text == "left out"
    assert found.numbers == ()


def test_a_list_of_plain_values_is_all_or_nothing():
    assert salvage(Outer, {"numbers": (1, 2)}).numbers == (1, 2)
    assert not hasattr(salvage(Outer, {"numbers": (1, "x")}), "numbers")


@pytest.mark.parametrize("data", [None, (), "x", {"one": 5, "many": 5, "named": 5, "text": 5}])
def test_nothing_comes_of_nothing(data):
    found = salvage(Outer, data)

    assert not {"one", "many", "named"} & vars(found).keys()
