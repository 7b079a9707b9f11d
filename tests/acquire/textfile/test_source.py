"""Places survive, so that what is found out late still points at its line."""

import pytest

from acquire.errors import Problem
from acquire.textfile import Place, parse
from acquire.textfile.source import problem_at

SOURCE = parse("a:\n  b: 1\nlist:\n  - {k: v}\n", "x.yaml")


@pytest.mark.parametrize(
    ("loc", "path"),
    [
        (("a", "b"), ("a", "b")),
        (("a", "missing"), ("a",)),
        (("list", 0, "relay", "k"), ("list", 0, "k")),  # a union's branch stands in no file
        (("a", "b", "[key]"), ("a", "b")),
        ((), ()),
    ],
)
def test_follow_passes_over_what_the_file_lacks(loc, path):
    assert SOURCE.follow(loc) == path


def test_a_problem_points_at_the_value_or_at_its_key():
    assert SOURCE.problem(("a", "b"), "m") == Problem("x.yaml", 2, 6, "a.b", "m", "  b: 1")
    assert SOURCE.problem(("a", "b"), "m", key=True).column == 3
    assert SOURCE.problem(("list", 0), "m", key=True) == Problem(
        "x.yaml", 4, 5, "list.0", "m", "  - {k: v}"
    )  # an item has no key
    assert SOURCE.problem(("z",), "m", field="a.z").field == "a.z"


def test_it_prints_as_file_line_column_field_and_caret():
    assert str(SOURCE.problem(("a", "b"), "is wrong")) == (
        "x.yaml:2:6: a.b: is wrong\n      b: 1\n         ^"
    )


def test_no_caret_is_aimed_past_a_tab_or_off_the_screen():
    assert problem_at("x", "a:\t1\x1b[0m", Place(1, 4), "a", "m").excerpt == "a: 1 [0m"
    assert problem_at("x", "a" * 500, Place(1, 300), "a", "m").excerpt == ""
    assert len(problem_at("x", "a" * 500, Place(1, 3), "a", "m").excerpt) == 160
    assert problem_at("x", "a", Place(7, 1), "a", "m").excerpt == ""


@pytest.mark.parametrize("end", ["\n", "\r\n", "\r", "\x85", "\u2028"])
def test_the_excerpt_is_of_the_line_that_the_reader_counted(end):
    source = parse(f"a: 1{end}b: *x{end}", "x.yaml")

    (problem,) = source.mistakes
    assert (problem.line, problem.excerpt) == (2, "b: *x")
