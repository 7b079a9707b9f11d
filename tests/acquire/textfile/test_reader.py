"""The YAML reader: right values, kept places, and no text that does harm."""

import json
import os
import re
import tracemalloc

import pytest
import yaml
from hypothesis import example, given, settings
from hypothesis import strategies as st

from acquire.errors import BadInputError
from acquire.textfile import LARGEST, Place, load, parse, read_text
from acquire.textfile.reader import DEEPEST, MOST_MISTAKES, resolve


# YAML 1.2.2, section 10.3.2, the table of the core schema, and its example 10.9 (written from
# memory); what YAML 1.1 would make of the text stands behind.
@pytest.mark.parametrize(
    ("written", "value"),
    [
        ("", None), ("~", None), ("null", None), ("NULL", None),
        ("true", True), ("False", False), ("TRUE", True),
        ("0", 0), ("-19", -19), ("+3", 3), ("0o14", 12), ("0x3A", 58),
        ("0.", 0.0), ("-0.0", -0.0), (".5", 0.5), ("+12e03", 12000.0), ("-2E+05", -200000.0),
        ("1e3", 1000.0),  # 1.1: a text
        ("010", 10),  # 1.1: 8
        ("1:30", "1:30"),  # 1.1: 90
        ("1_000", "1_000"),  # 1.1: 1000
        ("on", "on"), ("yes", "yes"), ("No", "No"), ("tRUE", "tRUE"), ("nULL", "nULL"),
        ("2026-11-25", "2026-11-25"),  # 1.1: a date
        ("50 mV", "50 mV"), ("0x", "0x"), (".", "."), ("e5", "e5"), ("٣", "٣"),
    ],
)  # fmt: skip
def test_plain_scalars_follow_the_core_schema(written, value):
    found = resolve(written)

    assert found == value
    assert type(found) is type(value)


@pytest.mark.parametrize("written", [".inf", "-.INF", ".nan", "1e999", "-1e400", "9" * 61])
def test_numbers_beyond_use_are_refused(written):
    with pytest.raises(ValueError, match=r"finite|too large|too long"):
        resolve(written)


def test_quotes_make_a_text():
    assert parse("a: '5'\nb: \"true\"\nc: |\n  null\n", "x").data == {
        "a": "5", "b": "true", "c": "null\n",
    }  # fmt: skip


def test_every_value_and_key_keeps_its_place():
    source = parse("# a remark\nfirst:  1\nlist:\n  - {k: v}\n  -   second\n", "x.yaml")

    assert source.data == {"first": 1, "list": ({"k": "v"}, "second")}
    assert source.places == {
        (): Place(2, 1),
        ("first",): Place(2, 9),
        ("list",): Place(4, 3),
        ("list", 0): Place(4, 5),
        ("list", 0, "k"): Place(4, 9),
        ("list", 1): Place(5, 7),
    }
    assert source.keys[("list", 0, "k")] == Place(4, 6)
    assert source.keys[("list",)] == Place(3, 1)


def test_a_byte_order_mark_and_windows_line_ends_are_taken():
    source = parse("\ufeffa: 1\r\nb: 2\r\n", "x.yaml")

    assert source.data == {"a": 1, "b": 2}
    assert source.places[("b",)] == Place(2, 4)


SYNTAX = {
    "tab": ("a:\n\tb: 1\n", 2, 1, "a tab cannot indent"),
    "second colon": ("a: b: c\n", 1, 5, "a ':' is not expected here"),
    "indented too far": ("a: 1\n  b: 2\n", 2, 4, "check the indentation"),
    "indented between": ("a:\n    b: 1\n  c: 2\n", 3, 3, "begins in line 1"),
    "open bracket": ("a: [1, 2\n", 1, 4, "close it"),
    "open quote": ('a: "x\nb: 3\n', 1, 4, "close it"),
    "reserved sign": ("a: @x\n", 1, 4, "'@' has a meaning of its own"),
    "escape": ('a: "\\q"\n', 1, 6, "this is not YAML"),
    "escape beyond Unicode": ('a: "\\Uffffffff"\n', 1, 7, "this is not YAML"),
    "control character": ("a: \x07\n", 1, 4, "U+0007"),
    "directive": ("%YAML " + "1" * 5000 + ".2\n---\na: 1\n", 1, 7, "this is not YAML"),
    "lone surrogate": ("a: \ud800\n", 1, 4, "U+D800"),
}


@pytest.mark.parametrize("name", SYNTAX)
def test_a_syntax_error_is_one_problem_at_its_place(name):
    text, line, column, words = SYNTAX[name]
    with pytest.raises(BadInputError) as caught:
        parse(text, "x.yaml")

    (problem,) = caught.value.problems
    assert (problem.file, problem.line, problem.column) == ("x.yaml", line, column)
    assert words in problem.message


UNWISE = {
    "duplicate key": ("a: 1\nb: 2\na: 3\n", (3, 1), "'a' was given before, in line 1"),
    "duplicate key in a flow": ("{a: 1, a: 2}\n", (1, 8), "given before"),
    "anchor": ("a: &x 1\n", (1, 4), "an anchor (&x)"),
    "anchor on a block": ("a: &x\n  b: 1\n", (1, 4), "an anchor (&x)"),
    "alias": ("a: *x\n", (1, 4), "an alias (*x)"),
    "merge key": ("<<: {a: 1}\n", (1, 1), "a merge key"),
    "tag": ("a: !!python/object:os.system {}\n", (1, 4), "a tag (!)"),
    "tag on a key": ("!!str a: 1\n", (1, 1), "a key has no anchor (&) and no tag"),
    "key that is a list": ("? [a]\n: 1\n", (1, 3), "a key must be a word"),
    "second document": ("a: 1\n---\nb: 1\n", (2, 1), "a second document"),
    "escaped control character": ('a: "\\0"\n', (1, 4), "U+0000"),
    "control character in a key": ('"\\0": 1\n', (1, 1), "U+0000"),
    "escaped surrogate": ('a: "\\ud800"\n', (1, 4), "U+D800"),
    "not finite": ("a: .inf\n", (1, 4), "not a finite number"),
}


@pytest.mark.parametrize("name", UNWISE)
def test_what_is_unwise_is_kept_as_a_mistake(name):
    text, place, words = UNWISE[name]

    (problem,) = parse(text, "x.yaml").mistakes

    assert (problem.line, problem.column) == place
    assert words in problem.message


def test_the_first_of_two_equal_keys_stays():
    source = parse("a:\n  b: 1\na:\n  b: 2\n", "x")

    assert source.data == {"a": {"b": 1}}
    assert source.places[("a", "b")] == Place(2, 6)


def test_mistakes_are_told_together_but_not_without_end():
    with pytest.raises(BadInputError) as caught:
        parse("- *x\n" * 10_000, "x.yaml")

    assert len(caught.value.problems) == MOST_MISTAKES


@pytest.mark.parametrize("text", ["", "\n\n", "# only a remark\n"])
def test_an_empty_file_is_named_so(text):
    with pytest.raises(BadInputError, match="the file is empty"):
        parse(text, "x.yaml")


def reading(read, *arguments):
    """Return what was read and None, or None and why not."""
    try:
        return read(*arguments), None
    except BadInputError as error:
        return None, error


# -- harm ------------------------------------------------------------------------------------------

BOMB = "a0: &a0 [x]\n" + "".join(
    f"a{i}: &a{i} [{', '.join([f'*a{i - 1}'] * 10)}]\n" for i in range(1, 10)
)  # 10^9 entries if it were expanded

HARMFUL = {
    "alias bomb": BOMB,
    "deep flow list": "[" * (LARGEST - 1),
    "deep flow map": "{a: " * (LARGEST // 4),
    "deep list": "- " * (LARGEST // 2),
    "deep keys": "? " * (LARGEST // 2),
    "deep block": "\n".join(" " * i + "a:" for i in range(600)),
    "many equal keys": "a: 1\n" * (LARGEST // 5),
    "many anchors": "- &a x\n" * (LARGEST // 7),
    "one long text": "a: " + "x" * (LARGEST - 4),
    "one open quote": 'a: "' + "x" * (LARGEST - 5),
    "colons": ":" * LARGEST,
    "remarks": "#\n" * (LARGEST // 2),
    "too long": "a" * (LARGEST + 1),
    "long number": "a: " + "9" * 5000,
    "many open brackets on many lines": "[\n" * (LARGEST // 2),
}


@pytest.mark.parametrize("name", HARMFUL)
def test_no_text_of_the_greatest_length_does_harm(name):
    """Bounded work is shown by memory; a quadratic reader would take minutes (timeout)."""
    tracemalloc.start()
    try:
        source, error = reading(parse, HARMFUL[name], "x.yaml")
        _, peak = tracemalloc.get_traced_memory()
    finally:
        tracemalloc.stop()

    assert peak < 60e6  # a quarter of a megabyte of text
    if error is None:
        assert source.data is not None
    else:
        assert 0 < len(error.problems) <= MOST_MISTAKES + 1
        assert len(str(error)) < 100_000


@pytest.mark.parametrize("deeper", [0, 1])
def test_depth_is_bounded_exactly(deeper):
    text = "[" * (DEEPEST + deeper) + "]" * (DEEPEST + deeper)
    if not deeper:
        assert parse(text, "x").data is not None
        return
    with pytest.raises(BadInputError, match="more than 20 blocks"):
        parse(text, "x")


def test_length_is_bounded_in_bytes_not_characters():
    parse("# " + "x" * (LARGEST - 7) + "\na: 1", "x")
    with pytest.raises(BadInputError, match="longer than 256 KiB"):
        parse("# " + "ä" * (LARGEST // 2), "x")


# -- anything --------------------------------------------------------------------------------------

SCALARS = (
    st.none() | st.booleans() | st.integers(-(10**12), 10**12)
    | st.floats(allow_nan=False, allow_infinity=False) | st.text(max_size=30)
)  # fmt: skip
DATA = st.recursive(
    SCALARS,
    lambda inner: (
        st.lists(inner, max_size=4)
        | st.dictionaries(st.text(min_size=1, max_size=10), inner, max_size=4)
    ),
    max_leaves=20,
)


def plain(data):
    if isinstance(data, dict):
        return {key: plain(value) for key, value in data.items()}
    return [plain(item) for item in data] if isinstance(data, tuple) else data


@given(DATA)
def test_json_text_is_read_as_json_reads_it(data):
    """JSON (RFC 8259) is a subset of YAML 1.2; Python's json module is the other reader."""
    text = json.dumps(data)  # ASCII with escapes
    try:
        source = parse(text, "x")
    except BadInputError:
        # PyYAML reads YAML 1.1, which lacks some: a ':' right after a quoted key in a flow is one
        text = json.dumps(data, separators=(", ", " : "))
        source = parse(text, "x")
    if source.mistakes:
        assert all("not allowed" in m.message or "merge" in m.message for m in source.mistakes)
    else:
        assert plain(source.data) == json.loads(text)


# YAML 1.1 breaks lines at NEL, LS and PS too (YAML 1.2.2, 5.4, does not), so PyYAML's emitter does
# not keep them in single quotes.
CHARACTERS = st.characters(exclude_categories=["Cs"], exclude_characters="\x85\u2028\u2029")

TEXTS = st.recursive(
    st.text(CHARACTERS, max_size=30),
    lambda inner: (
        st.lists(inner, min_size=1, max_size=4)
        | st.dictionaries(
            st.text(CHARACTERS, min_size=1, max_size=10), inner, min_size=1, max_size=4
        )
    ),
    max_leaves=15,
)


@given(TEXTS, st.sampled_from(['"', "'", "|", None]))
def test_what_another_writer_writes_is_read_back(data, style):
    """PyYAML's own emitter, in block style, against our reader."""
    text = yaml.safe_dump(data, default_style=style, allow_unicode=True, sort_keys=False)
    source = parse(text, "x")
    if not source.mistakes:
        assert plain(source.data) == data or style is None  # unquoted, 1.1 and 1.2 differ
    assert all(
        re.search("not allowed|tag|merge|word|anchor|alias", str(m)) for m in source.mistakes
    )


PIECES = [*":-[]{},'\"#|>?@%~\\\t\nab5é ", "!!", "<<", "1e9", ".inf", "---", "...", "&a ", "*a"]
PIECES += [": ", "- ", "? ", "  "]
YAML_LIKE = st.lists(st.sampled_from(PIECES), max_size=40).map("".join)


@given(YAML_LIKE | st.text(max_size=200))
@example("\ufeff\ufeffa: 1")
@example('"\\x')
@example("? ")
@example("%TAG ! !\n---\na")
@example("!<")
@settings(max_examples=400)
def test_any_text_gives_data_or_problems_with_a_place(text):
    source, error = reading(parse, text, "x.yaml")
    problems = source.mistakes if source else error.problems
    if source:
        json.dumps(plain(source.data), allow_nan=False)  # nothing but plain finite data
        assert set(source.keys) <= set(source.places) | {()}
    lines = text.count("\n") + text.count("\r") + sum(map(text.count, "\x85\u2028\u2029")) + 2
    for problem in problems:
        assert 0 <= problem.line <= lines
        assert problem.message
        str(problem).encode("utf-8")


@given(st.binary(max_size=200))
@settings(max_examples=100)
def test_any_bytes_in_a_file_give_data_or_problems(tmp_path_factory, raw):
    path = tmp_path_factory.getbasetemp() / "any.yaml"
    path.write_bytes(raw)
    source, error = reading(load, path)
    if source:
        assert source.text.encode("utf-8") == raw.removeprefix(b"\xef\xbb\xbf")
    else:
        assert error.problems


# -- files -----------------------------------------------------------------------------------------


def test_a_file_that_is_not_utf_8_is_placed(tmp_path):
    path = tmp_path / "x.yaml"
    path.write_bytes("a: 1\nä: ".encode() + b"\xff\n")
    with pytest.raises(BadInputError) as caught:
        load(path)

    (problem,) = caught.value.problems
    assert (problem.line, problem.column) == (2, 4)
    assert "0xFF is not UTF-8" in problem.message


def test_a_missing_file_a_folder_a_pipe_and_an_odd_name_are_told(tmp_path):
    pipe = tmp_path / "pipe"
    os.mkfifo(pipe)
    for path, words in {
        tmp_path / "none.yaml": "cannot be read",
        tmp_path: "not a file",
        pipe: "not a file",  # opening it would wait for ever
        "a\0b": "cannot be read",
    }.items():
        with pytest.raises(BadInputError, match=words) as caught:
            load(path)
        assert caught.value.problems[0].file == str(path)


def test_an_endless_file_is_not_read_to_its_end(tmp_path):
    path = tmp_path / "huge.yaml"
    with path.open("wb") as file:
        file.truncate(1 << 36)  # sparse
    tracemalloc.start()
    try:
        with pytest.raises(BadInputError, match="longer than 256 KiB"):
            read_text(path)
        _, peak = tracemalloc.get_traced_memory()
    finally:
        tracemalloc.stop()
    assert peak < 4e6
