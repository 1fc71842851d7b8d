"""The API reference: pdoc builds it from the docstrings; every public name has one and every link leads somewhere."""

from __future__ import annotations

import inspect
import pkgutil
import re
import subprocess
import sys
from html.parser import HTMLParser
from importlib import import_module
from pathlib import Path
from urllib.parse import unquote

import pytest

import bracewright

PRIVATE = {"bracewright.__main__"}


def modules() -> list[str]:
    found = [m.name for m in pkgutil.walk_packages(bracewright.__path__, "bracewright.")]
    return ["bracewright", *(m for m in found if m not in PRIVATE)]


class Page(HTMLParser):
    """Targets and links of a page."""

    def __init__(self, text: str) -> None:
        super().__init__()
        self.names: set[str] = set()
        self.links: list[str] = []
        self.feed(text)

    def handle_starttag(self, tag: str, attrs: list[tuple[str, str | None]]) -> None:
        found = dict(attrs)
        if found.get("id"):
            self.names.add(str(found["id"]))
        if tag == "a" and found.get("href"):
            self.links.append(unquote(str(found["href"])))


@pytest.mark.parametrize("module", modules())
def test_every_public_name_has_a_docstring(module):
    loaded = import_module(module)
    bare = [] if inspect.getdoc(loaded) else [module]
    for name, thing in vars(loaded).items():
        if name.startswith("_") or getattr(thing, "__module__", None) != module:
            continue
        if inspect.isclass(thing):
            bare += [] if thing.__doc__ else [name]
            for member, what in vars(thing).items():
                if not member.startswith("_") and (
                    inspect.isfunction(what) or isinstance(what, property | classmethod)
                ):
                    bare += [] if inspect.getdoc(getattr(thing, member)) else [f"{name}.{member}"]
        elif inspect.isfunction(thing):
            bare += [] if thing.__doc__ else [name]
    assert not bare


def test_names_behind_the_door_say_what_they_are():
    for name in bracewright.__all__:
        if name != "__version__":
            assert inspect.getdoc(getattr(bracewright, name)), name


@pytest.mark.slow
def test_the_reference_builds_and_no_link_is_broken(tmp_path):
    pytest.importorskip("pdoc", reason="pdoc is missing; it is in the test extra")
    command = [sys.executable, "-m", "pdoc", "-o", str(tmp_path), "--docformat", "numpy", "--no-search"]
    done = subprocess.run([*command, "--no-show-source", *modules()], capture_output=True, text=True, check=True)
    # Annotations of an inherited constructor are not found from another module, which costs a link, no more; and some
    # rooms bring their modules along, others (those with __all__) do not.
    known = ("parsing type annotation", "adds a module named")
    assert [w for w in done.stderr.splitlines() if w and not any(k in w for k in known)] == []
    pages = {p.relative_to(tmp_path): Page(p.read_text("utf-8")) for p in tmp_path.rglob("*.html")}
    wanted = {Path(*m.split(".")).with_suffix(".html") for m in modules()}
    assert wanted <= set(pages)
    broken = []
    for place, page in pages.items():
        for link in page.links:
            target, _, name = link.partition("#")
            if re.match(r"[a-z]+:", target):
                continue
            where = (
                Path((tmp_path / place.parent / target).resolve()).relative_to(tmp_path.resolve()) if target else place
            )
            if where not in pages or (name and name not in pages[where].names):
                broken.append(f"{place}: {link}")
    assert not broken
    assert "write_report" in (tmp_path / "bracewright.html").read_text("utf-8")
