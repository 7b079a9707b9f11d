"""Text files that people write: YAML to plain data, with the place of every value kept.

The way of a file is ``load`` (or ``parse``) and then ``validated``, which gives either a model or
one ``BadInputError`` with every mistake in it, each at its line and column.
"""

from acquire.textfile.nearest import did_you_mean
from acquire.textfile.reader import LARGEST, load, parse, read_text
from acquire.textfile.source import Path, Place, TextSource
from acquire.textfile.validate import OF_KEY, Check, Complaint, validated

__all__ = [
    "LARGEST",
    "OF_KEY",
    "Check",
    "Complaint",
    "Path",
    "Place",
    "TextSource",
    "did_you_mean",
    "load",
    "parse",
    "read_text",
    "validated",
]
