"""Whether another distribution in this environment claims the names of our packages.

Two distributions that ship a package of one name overwrite each other's files without a word, and
no installer reports it; only an environment of one's own keeps them apart.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from importlib import metadata

PACKAGES = ("acquire", "drivers", "profiles", "simulated_instruments")
"""Import names of ours."""

DISTRIBUTION = "floorshot"


def foreign_claims(installed: Mapping[str, Sequence[str]] | None = None) -> list[str]:
    """Return one sentence for each of our package names that another distribution claims.

    Parameters
    ----------
    installed : import name -> distributions that ship it; those of this environment by default.
    """
    known = metadata.packages_distributions() if installed is None else installed
    found = []
    for package in PACKAGES:
        others = sorted({name for name in known.get(package, ()) if name != DISTRIBUTION})
        if others:
            found.append(
                f"the package '{package}' is also shipped by {', '.join(others)}, which may have "
                f"overwritten files of {DISTRIBUTION}; install {DISTRIBUTION} into an environment "
                "of its own"
            )
    return found
