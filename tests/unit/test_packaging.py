"""What is installed with the package: listed, and under licences that go with its own."""

from __future__ import annotations

import re
import subprocess
import sys
import tomllib
from importlib.metadata import PackageNotFoundError, distribution
from pathlib import Path

ROOT = Path(__file__).parents[2]
PROJECT = tomllib.loads((ROOT / "pyproject.toml").read_text("utf-8"))["project"]
README = (ROOT / "README.md").read_text("utf-8")
TABLE = README[README.index("## Licences") :]
FREE = re.compile("BSD|MIT|Apache|PSF|Python Software|HPND|ISC|LGPL|Lesser General|MPL|Mozilla|CC0|Zlib")
STRICT = re.compile(r"(?<!L)(?<!Lesser )\bA?GPL|(?<!Lesser )General Public|[Nn]on-?commercial|Proprietary")


def name_of(requirement: str) -> str:
    return re.split(r"[\s\[<>=!~;]", requirement, maxsplit=1)[0].lower()


def licence(name: str) -> str:
    """What a distribution says of its licence, in one line."""
    m = distribution(name).metadata
    said = [m.get("License-Expression", ""), *(c for c in m.get_all("Classifier", []) if c.startswith("License ::"))]
    text = "; ".join(s for s in said if s)
    return text or (m.get("License") or "").strip().split("\n")[0]


def closure(requirements: list[str]) -> set[str]:
    """Every distribution that comes with these, as installed here."""
    found: set[str] = set()
    todo = [name_of(r) for r in requirements]
    while todo:
        name = todo.pop()
        try:
            needs = distribution(name).requires or []
        except PackageNotFoundError:  # of another system or Python
            continue
        if name not in found:
            found.add(name)
            todo += [name_of(r) for r in needs if "extra ==" not in r]
    return found


def test_every_package_that_is_asked_for_is_in_the_readme():
    extras = PROJECT["optional-dependencies"]
    wanted = {name_of(r) for r in PROJECT["dependencies"]}
    assert not [w for w in wanted if w not in TABLE]
    assert not [e for e in extras if f"`{e}`" not in TABLE]
    assert not [w for w in map(name_of, extras["fast"] + extras["viewer"]) if w not in TABLE]


def test_licences_of_all_that_is_installed_go_with_ours():
    names = closure(PROJECT["dependencies"])
    assert len(names) >= len(PROJECT["dependencies"])
    said = {n: licence(n) for n in sorted(names)}
    assert not {n: s for n, s in said.items() if not FREE.search(s) or STRICT.search(s)}


def test_importing_takes_less_than_half_a_second():
    best = 9.0
    for _ in range(3):
        done = subprocess.run(
            [sys.executable, "-X", "importtime", "-c", "import bracewright"], capture_output=True, text=True, check=True
        )
        found = re.search(r"\|\s*(\d+) \| bracewright\n", done.stderr)
        assert found
        best = min(best, int(found[1]) / 1e6)
    assert best < 0.5
