"""Another distribution that ships a package of our name is noticed."""

from acquire.cli import claims


def test_a_foreign_claim_names_package_and_distribution():
    installed = {
        "drivers": ["floorshot", "otherdist"],
        "acquire": ["floorshot"],
        "numpy": ["numpy"],
    }

    (text,) = claims.foreign_claims(installed)

    assert "'drivers' is also shipped by otherdist" in text


def test_our_own_claim_is_fine():
    assert claims.foreign_claims({name: ["floorshot"] for name in claims.PACKAGES}) == []


def test_the_packages_are_those_of_the_wheel():
    """The list follows pyproject.toml, which says what the wheel holds."""
    import tomllib
    from pathlib import Path

    root = Path(__file__).resolve().parents[3]
    project = tomllib.loads((root / "pyproject.toml").read_text(encoding="utf-8"))

    wheel = project["tool"]["hatch"]["build"]["targets"]["wheel"]["packages"]
    assert list(claims.PACKAGES) == wheel
    assert project["project"]["name"] == claims.DISTRIBUTION


def test_this_environment_can_be_asked():
    assert isinstance(claims.foreign_claims(), list)
