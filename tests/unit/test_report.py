"""The report: one page with the design's own numbers, that needs nothing else and opens without complaint."""

from __future__ import annotations

import hashlib
import json
import os
import re
from dataclasses import replace
from pathlib import Path
from xml.etree import ElementTree

import numpy as np
import pytest
from browser import Browser, require_browser
from cabinets import box, pocket, shelf

from bracewright import __version__
from bracewright.cli import main
from bracewright.design import Cabinet, Driver, Opening, save
from bracewright.design.cabinet import Supports
from bracewright.design.designfile import dumps
from bracewright.design.pockets import Circle
from bracewright.errors import FileError
from bracewright.fem.modes import solve
from bracewright.fem.system import build
from bracewright.show import report as module
from bracewright.show import report_text
from bracewright.show.report import ReportPage, write_report

SIZE = 60.0
H = "{http://www.w3.org/1999/xhtml}"


def design(at: float = 230.0, name: str = "a box & more") -> Cabinet:
    hole = Opening(name="woofer", panel="front", shape=Circle(centre=(110, 120), diameter=120))
    driver = Driver(opening="woofer", mass_kg=1.9, moving_mass_g=14, piston_area_cm2=95)
    shallow = shelf(at=at, pockets=(pocket((110, 150), (130, 180)),))
    return replace(box(braces=(shallow,), openings=(hole,), drivers=(driver,)), name=name)


@pytest.fixture(scope="module")
def made(tmp_path_factory) -> tuple[ReportPage, Path]:
    path = tmp_path_factory.mktemp("report") / "report.html"
    return write_report(design(), path, beside=design(240.0, "old"), size=SIZE, quick=True), path


def tree(path: Path) -> ElementTree.Element:
    return ElementTree.fromstring(path.read_text("utf-8"))


def words(element: ElementTree.Element) -> str:
    return " ".join(" ".join(element.itertext()).split())


def rows(page: ElementTree.Element, head: str) -> list[list[str]]:
    """Rows of the table whose first heading row begins so."""
    for t in page.iter(f"{H}table"):
        if words(t.find(f"{H}thead")).startswith(head):
            return [[words(c) for c in row] for row in t.find(f"{H}tbody")]
    raise AssertionError(head)


def test_it_is_well_formed_and_refers_to_nothing_outside(made):
    page = tree(made[1])
    for element in page.iter():
        for name, value in element.attrib.items():
            if name.split("}")[-1] in ("src", "href", "srcset", "action", "data", "poster"):
                assert value.startswith("data:"), (element.tag, value[:60])
    style = page.find(f".//{H}style").text
    assert "url(" not in style
    assert "@import" not in style
    assert "@media print" in style
    assert not list(page.iter(f"{H}script"))
    assert page.find(f".//{H}title").text == "a box & more: report"
    assert made[1].stat().st_size < 3_000_000


def test_the_customers_sheet_comes_first_and_says_what_was_computed(made):
    report, path = made
    sheet = tree(path).find(f"{H}body/{H}section")
    assert sheet.get("class") == "customer"
    said = words(sheet)
    a = report.now.account
    assert f"{a.mass_kg:.1f} kg" in said
    assert f"{a.net_volume_l:.1f} litres" in said
    assert f"ring first at {report.now.modes.frequency_Hz[0]:.0f} Hz" in said
    hump = report.now.heard.humps[0]
    assert f"loudest near {hump.frequency_Hz:.0f} Hz, {abs(hump.level_dB):.0f} dB" in said
    s = report.now.heard.sound
    mean = 10 * np.log10(np.mean(np.abs(s.cabinet_Pa / s.drivers_Pa) ** 2))
    assert f"on average {abs(mean):.0f} dB {'below' if mean < 0 else 'above'} the drivers" in said
    assert "rough estimate" in said
    assert "One brace ties its walls together; the windows in it let the air pass." in said
    now = rows(sheet, "mode before, Hz now, Hz")
    assert [r[2] for r in now] == [f"{f:.0f}" for f in report.now.modes.frequency_Hz[:6]]
    assert [r[1] for r in now] == [f"{f:.0f}" for f in report.beside.modes.frequency_Hz[:6]]


def test_on_feet_it_speaks_of_the_walls(tmp_path):
    write_report(replace(design(), supports=Supports(kind="feet")), tmp_path / "r.html", size=SIZE, quick=True)
    page = tree(tmp_path / "r.html")
    first = float(re.search(r"ring first at (\d+) Hz", words(page))[1])
    free = solve(build(design(), size=SIZE), 1).frequency_Hz[0]
    assert first == pytest.approx(free, rel=0.02)
    assert re.search(r"Left out: the whole cabinet on its supports, at (\d+, ){5}\d+ Hz", words(page))


def test_it_speaks_of_windows_only_where_there_are_any():
    closed = shelf(at=120.0, pockets=())
    pierced = design().braces[0]
    assert report_text._tied(box(braces=(replace(closed, name="other"), pierced))) == (
        "2 braces tie its walls together; the windows in them let the air pass."
    )
    assert report_text._tied(box(braces=(closed,))) == "One brace ties its walls together."
    assert report_text._tied(box()) == "It has no braces."


def test_the_makers_pages_hold_the_tables(made):
    report, path = made
    page = tree(path)
    m = report.now.modes
    table = rows(page, "mode Hz loss factor")
    assert [float(r[1]) for r in table] == pytest.approx(m.frequency_Hz, abs=0.051)
    assert [float(r[2]) for r in table] == pytest.approx(m.loss_factor, abs=6e-5)
    assert rows(page, "key before (old) now") == [["name", "old", "a box & more"], ["braces.shelf.at", "240", "230"]]
    limits = {r[0]: r[1:] for r in rows(page, "limit left")}
    # 176 mm between the walls, a window of 130, 30 wanted: 7 short.
    assert limits["web.shelf.pocket 1.left"] == ["-7.0 mm", "short!"]
    assert limits["web.shelf.pocket 1.front"] == ["8.0 mm", "kept"]
    parts = {r[0]: r[1:] for r in rows(page, "part board")}
    assert parts["front"][2] == "400.0 x 220.0" or parts["front"][2] == "220.0 x 400.0"
    assert set(parts) == {"front", "back", "left", "right", "bottom", "top", "shelf"}
    assert "Wood dust" in words(page)
    images = list(page.iter(f"{H}img"))
    assert len(images) >= 10
    assert all(i.get("alt") and i.get("src").startswith("data:image/png;base64,") for i in images)


def test_it_says_where_its_numbers_come_from(made):
    report, path = made
    said = words(tree(path))
    assert f"bracewright {__version__}" in said
    assert hashlib.sha256(dumps(design()).encode()).hexdigest()[:16] in said
    assert f"{report.now.model.dofs}" in said
    coarse = solve(build(design(), size=SIZE * 1.5), 12).frequency_Hz
    change = np.abs(coarse / report.now.modes.frequency_Hz - 1) * 100
    assert report.error_percent == pytest.approx((change.mean(), change.max()), rel=1e-4)
    assert f"largest {change.max():.2f} %" in said


def test_its_hash_changes_with_the_design(made):
    report, _ = made
    assert replace(report, now=replace(report.now, cabinet=design(231.0))).design_hash != report.design_hash


def test_without_drivers_or_anything_beside_it_says_so(tmp_path):
    plain = box(braces=(shelf(),))
    report = write_report(plain, tmp_path / "a.html", size=SIZE)
    said = words(tree(tmp_path / "a.html"))
    assert report.now.heard is None
    assert "no driver with a moving mass" in said
    assert "What changed" not in said
    assert report.changes == ()
    assert os.listdir(tmp_path) == ["a.html"]


def test_a_report_that_cannot_be_written_leaves_the_old_one(tmp_path, monkeypatch):
    (tmp_path / "a.html").write_text("old")

    def fails(report):
        raise FileError("no")

    monkeypatch.setattr(module, "html", fails)
    with pytest.raises(FileError):
        write_report(box(braces=(shelf(),)), tmp_path / "a.html", size=80.0)
    assert (tmp_path / "a.html").read_text() == "old"


@pytest.fixture
def files(tmp_path) -> list[str]:
    save(design(), tmp_path / "new.toml")
    save(design(240.0, "old"), tmp_path / "old.toml")
    return [str(tmp_path / "new.toml"), str(tmp_path / "old.toml"), str(tmp_path / "page.html")]


def test_the_command_writes_the_page_and_prints_json(files, capsys):
    new, old, out = files
    assert main(["report", new, "--beside", old, "--out", out, "--quick", "--size", "80", "--json"]) == 0
    table = json.loads(capsys.readouterr().out)
    assert table["files"] == [out]
    assert len(table["modes_Hz"]) == 12
    assert ["braces.shelf.at", "240", "230"] in table["changes"]
    assert table["margins"]["web.shelf.pocket 1.left"] == pytest.approx(-7.0)
    assert table["provenance"]["missed_modes"] == 0
    assert f"{table['modes_Hz'][0]:.1f}" in Path(out).read_text("utf-8")


def test_bad_input_ends_with_one_line_and_code_2(files, capsys):
    new, _, out = files
    for arguments, said in (
        (["report", new, "--out", "/no/such/folder/x.html"], "/no/such/folder"),
        (["report", f"{new}x", "--out", out], "new.tomlx"),
        (["report", new, "--beside", f"{new}x", "--out", out], "new.tomlx"),
    ):
        assert main(arguments) == 2
        printed = capsys.readouterr()
        assert printed.out == ""
        assert printed.err.count("\n") == 1
        assert said in printed.err
    assert not Path(out).exists()


@pytest.mark.slow
def test_it_opens_in_a_browser_without_errors_or_requests_and_prints(made, tmp_path):
    require_browser()
    import base64

    with Browser(900, 1250) as browser:
        browser.open(made[1].as_uri())
        assert browser.run("document.title") == "a box & more: report"
        assert browser.run("[...document.images].every(i => i.complete && i.naturalWidth > 100)")
        assert browser.run("document.documentElement.scrollWidth <= window.innerWidth")
        pdf = base64.b64decode(browser.call("Page.printToPDF", preferCSSPageSize=True)["data"])
        if shots := os.environ.get("BRACEWRIGHT_SCREENSHOTS"):
            Path(shots).mkdir(parents=True, exist_ok=True)
            browser.screenshot(Path(shots) / "report.png")
            (Path(shots) / "report.pdf").write_bytes(pdf)
        assert browser.errors == []
        assert browser.requests == []
    assert 3 <= len(re.findall(rb"/Type\s*/Page\b", pdf)) <= 25
