import pytest

from acquire.textfile import did_you_mean


@pytest.mark.parametrize(
    ("written", "known", "advice"),
    [
        ("targt", ["target", "floor"], "; did you mean 'target'?"),
        ("Target", ["target", "floor"], "; did you mean 'target'?"),
        ("zzz", ["target", "floor"], "; there is target, floor"),
        ("floor", ["floor"], ""),  # the same word is no advice
        ("x", [], ""),
        ("zzz", [f"name{i}" for i in range(30)], ""),  # a list that nobody would read
        ("q" * 10**6, ["target"], "; there is target"),
    ],
)
def test_advice(written, known, advice):
    assert did_you_mean(written, known) == advice
