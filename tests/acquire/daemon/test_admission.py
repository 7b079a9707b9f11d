"""What is refused before it is queued."""

from __future__ import annotations

import pytest

from acquire.daemon import admission
from acquire.errors import BadInputError


def test_a_right_recipe_on_a_right_bench_is_let_in(folder, bench, recipe_text):
    admission.check(recipe_text, "short.yaml", folder.bench("tunnel"))


def test_the_mistakes_of_both_files_come_together(folder, bench):
    broken = folder.benches / "broken.yaml"
    broken.write_text("floorshot_bench: 1\nsite: [\n")

    with pytest.raises(BadInputError) as caught:
        admission.check("floorshot_recipe: 1\ntitle: 3\n", "mine.yaml", broken)

    assert {"mine.yaml", str(broken)} == {problem.file for problem in caught.value.problems}


def test_a_recipe_alone_is_checked_alone(recipe_text):
    admission.check(recipe_text, "short.yaml", None)
    with pytest.raises(BadInputError):
        admission.check("", "short.yaml", None)


def test_one_rule_or_none():
    assert admission.rule(None, None, None, None) is None
    found = admission.rule(None, "6 h", None, "UTC")
    assert (found.kind, found.text, found.zone) == ("every", "21600", "UTC")
    with pytest.raises(BadInputError, match="not several"):
        admission.rule("2030-01-01", "6 h", None, "UTC")
