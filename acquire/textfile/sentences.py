"""What is said about a value of the wrong form, in words for a bench engineer.

A validation library speaks to programmers; each kind of its complaints has a sentence here.
"""

from __future__ import annotations

import re
from collections.abc import Callable
from typing import Any

from pydantic_core import ErrorDetails

from acquire.textfile.nearest import did_you_mean

FORMAT_KEY = "floorshot_"
"""What the first key of every file begins with; its value is the version of the format."""

NAMES: dict[str, str] = {
    r"^[a-z][a-z0-9_]{0,39}$": (
        "is not a name: begin with a small letter a-z, then small letters, digits and '_', "
        "at most 40 in all"
    ),
    r"^[A-Za-z0-9_][A-Za-z0-9_.-]{0,99}$": (
        "is not a file name: letters, digits, '_', '-' and '.' only, no folder"
    ),
}
"""What a text that does not match a pattern is, by pattern."""


def shown(value: object) -> str:
    """Show a value in a message, shortened."""
    if value is None:
        return "nothing"
    if isinstance(value, bool):
        return "true" if value else "false"
    if isinstance(value, str):
        return f"'{value if len(value) <= 60 else value[:60] + '...'}'"
    if isinstance(value, dict):
        return "a block of settings"
    if isinstance(value, list | tuple):
        return "a list"
    return str(value)


def sentence(error: ErrorDetails, of_key: bool = False) -> str:
    """Return what to say about one complaint of pydantic."""
    context: dict[str, Any] = error.get("ctx") or {}
    value = error["input"]
    if error["loc"] and str(error["loc"][-1]).startswith(FORMAT_KEY):
        expected = context.get("expected", "another")
        return f"this program reads version {expected} of this format; found {shown(value)}"
    speak = _SENTENCES.get(error["type"])
    if of_key and error["type"] != "string_pattern_mismatch":
        return f"the key {shown(value)} is not a name"
    return speak(value, context) if speak else f"{shown(value)}: {error['msg']}"


def _choice(value: object, context: dict[str, Any]) -> str:
    expected = str(context.get("expected") or context.get("expected_tags"))
    words = re.findall(r"'([^']*)'", expected)
    if not words:
        return f"must be {expected}, found {shown(value)}"
    advice = did_you_mean(value, words) if isinstance(value, str) else ""
    return f"{shown(value)} is not one of {', '.join(words)}" + (
        advice if "did you mean" in advice else ""
    )


def _tag(value: object, context: dict[str, Any]) -> str:
    tag = str(context.get("discriminator", "")).strip("'")
    written = value.get(tag) if isinstance(value, dict) else value
    return _choice(written, context)


def _pattern(value: object, context: dict[str, Any]) -> str:
    pattern = str(context["pattern"])
    return f"{shown(value)} {NAMES.get(pattern, f'does not have the form {pattern}')}"


def _count(_value: object, context: dict[str, Any]) -> str:
    least, most = context.get("min_length"), context.get("max_length")
    wanted = f"at least {least}" if least is not None else f"at most {most}"
    return f"{wanted} {'entry is' if (least or most) == 1 else 'entries are'} needed, " + (
        f"found {context.get('actual_length')}"
    )


def _bound(words: str, key: str) -> Callable[[object, dict[str, Any]], str]:
    return lambda value, context: f"{shown(value)} must be {words} {context[key]}"


def _kind(wanted: str) -> Callable[[object, dict[str, Any]], str]:
    return lambda value, _context: f"expected {wanted}, found {shown(value)}"


def _text(value: object, _context: dict[str, Any]) -> str:
    advice = "; put quotes around it" if isinstance(value, int | float) else ""
    return f"expected a text, found {shown(value)}{advice}"


_SENTENCES: dict[str, Callable[[object, dict[str, Any]], str]] = {
    "bool_type": _kind("true or false"),
    "dict_type": _kind("a block of settings"),
    "float_type": _kind("a number"),
    "greater_than": _bound("more than", "gt"),
    "greater_than_equal": _bound("at least", "ge"),
    "int_from_float": _kind("a whole number"),
    "int_type": _kind("a whole number"),
    "less_than": _bound("less than", "lt"),
    "less_than_equal": _bound("at most", "le"),
    "literal_error": _choice,
    "model_attributes_type": _kind("a block of settings"),
    "model_type": _kind("a block of settings"),
    "quantity": lambda _value, context: str(context["sentence"]),
    "string_pattern_mismatch": _pattern,
    "string_too_long": lambda _value, context: f"longer than {context['max_length']} characters",
    "string_too_short": lambda _value, _context: "must not be empty",
    "string_type": _text,
    "too_long": _count,
    "too_short": _count,
    "tuple_type": _kind("a list"),
    "union_tag_invalid": _tag,
    "union_tag_not_found": _tag,
}
