"""Recipe and bench are told about together, and matched where each is right by itself."""

import pytest

from acquire.cli import names
from acquire.cli.loading import load_parts
from acquire.errors import BadInputError

RECIPE = names.locate("recipe", "bonding_lead").read_text(encoding="utf-8")
BENCH = names.locate("bench", "wind_tunnel_simulated").read_text(encoding="utf-8")


@pytest.fixture
def files(tmp_path):
    """A function that writes both files and returns their names."""

    def write(recipe=RECIPE, bench=BENCH):
        paths = (tmp_path / "recipe.yaml", tmp_path / "bench.yaml")
        for path, text in zip(paths, (recipe, bench), strict=True):
            path.write_text(text, encoding="utf-8")
        return tuple(map(str, paths))

    return write


def test_the_shipped_pair_loads(files):
    recipe, bench = load_parts(*files())

    assert recipe.recipe.title
    assert bench.bench.site


def test_the_problems_of_both_come_together(files):
    given = files(RECIPE.replace("40 us", "40"), BENCH.replace("channel: 1\n", "channel: one\n"))

    with pytest.raises(BadInputError) as caught:
        load_parts(*given)

    assert {problem.file.rpartition("/")[2] for problem in caught.value.problems} == {
        "recipe.yaml",
        "bench.yaml",
    }


def test_what_the_bench_cannot_do_is_told_at_the_recipes_line(files):
    given = files(RECIPE, BENCH.replace("    air_coil: [104]\n", ""))

    with pytest.raises(BadInputError) as caught:
        load_parts(*given)

    (problem,) = caught.value.problems
    first = RECIPE.splitlines().index("  air_coil:") + 1
    assert problem.line in (first, first + 1)
    assert problem.excerpt.strip() in ("air_coil:", "kind: candidate")
    assert "air_coil" in problem.message
