"""List the licence of every package that an installation brings; fail where one is not allowed.

Usage: python tests/licences.py [EXTRA ...]      (all extras where none is named)
"""

from __future__ import annotations

import re
import sys
from importlib.metadata import Distribution, PackageNotFoundError, distribution, metadata

from packaging.requirements import Requirement

NAME = "xraymeasure"
# LGPL may be linked to (PySide6, which the window needs); the GPL would bind the project.
_FORBIDDEN = re.compile(r"(?<!L)(?<!Lesser )\bA?GPL|(?<!Lesser )General Public License", re.I)
_OR = re.compile(r"\bOR\b")


def licence_of(package: Distribution) -> str:
    """Return what a package says of its licence, on one line."""
    about = package.metadata
    classified = [
        line.rpartition("::")[2].strip()
        for line in about.get_all("Classifier") or ()
        if line.startswith("License ::") and not line.endswith("OSI Approved")
    ]
    free = (about.get("License") or "").strip().splitlines()
    return about.get("License-Expression") or "; ".join(classified) or (free or ["not stated"])[0]


def brought(extras: set[str]) -> dict[str, str]:
    """Return the licences of all that is installed for the project with these extras."""
    found: dict[str, str] = {}
    todo, seen = [(NAME, frozenset(extras))], set()
    while todo:
        name, wanted = todo.pop()
        key = re.sub(r"[-_.]+", "-", name).lower(), wanted
        if key in seen:
            continue
        seen.add(key)
        try:
            package = distribution(name)
        except PackageNotFoundError:
            continue
        if name != NAME:
            found[key[0]] = licence_of(package)
        for line in package.requires or ():
            need = Requirement(line)
            marks = [{"extra": extra} for extra in wanted | {""}]
            if need.marker is None or any(need.marker.evaluate(mark) for mark in marks):
                todo.append((need.name, frozenset(need.extras)))
    return found


def forbidden(licence: str) -> bool:
    """Return whether none of the licences on offer may be used."""
    return all(_FORBIDDEN.search(offer) for offer in _OR.split(licence))


def main() -> int:
    """Return how many packages are under a licence that is not allowed."""
    extras = set(sys.argv[1:]) or set(metadata(NAME).get_all("Provides-Extra") or ())
    found = brought(extras)
    for name, licence in sorted(found.items()):
        print(f"{name:<28} {licence}{'   NOT ALLOWED' if forbidden(licence) else ''}")
    wrong = sum(map(forbidden, found.values()))
    print(f"{len(found)} packages with {', '.join(sorted(extras))}; {wrong} not allowed")
    return wrong


if __name__ == "__main__":
    sys.exit(bool(main()))
