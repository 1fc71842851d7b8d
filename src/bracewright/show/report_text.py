"""What the report says: the customer's sheet in plain words, then the maker's pages."""

from __future__ import annotations

from collections.abc import Iterator
from typing import TYPE_CHECKING

import numpy as np

from bracewright import __version__
from bracewright.design.cabinet import Cabinet
from bracewright.errors import DesignError
from bracewright.make import CAUTIONS, assembly, board_totals, cut_list, drawings, nest
from bracewright.show import page, plots, sound_plots
from bracewright.sound.report import Report as Heard

if TYPE_CHECKING:
    from bracewright.show.report import ReportPage

MAPS = 6  # modes drawn
SHOWN = 6  # modes in the customer's table
_CAUSE = {
    "force": "because the driver pushes back on the cabinet when its cone moves",
    "pressure": "because the air inside pushes on the walls when the cone moves",
}
_WAY = {"x": "width", "y": "depth", "z": "height"}


def html(r: ReportPage) -> str:
    """Return the whole page."""
    return page.whole(f"{r.now.cabinet.name}: report", customer(r), maker(r))


# ------------------------------------------------------------------ the customer's sheet


def customer(r: ReportPage) -> Iterator[str]:
    """Yield the first sheet."""
    n, c = r.now, r.now.cabinet
    yield page.text(c.name, "h1")
    yield page.text(
        f"A cabinet of {c.width:g} x {c.depth:g} x {c.height:g} mm (width, depth, height) that weighs "
        f"{n.account.mass_kg:.1f} kg with its drivers and holds {n.account.net_volume_l:.1f} litres of air. {_tied(c)}"
    )
    drawing = page.picture(
        plots.figure_of(plots.cabinet_drawing(n.model)), "The cabinet with its panels looked through."
    )
    yield page.side_by_side(drawing, "".join(_first_modes(r)))
    yield page.text("What you hear of the walls", "h2")
    yield from (page.text(t) for t in _sound_words(r))
    yield page.text("Why it is built this way", "h2")
    yield from (page.text(t) for t in _why(r))


def _tied(c: Cabinet) -> str:
    if not c.braces:
        return "It has no braces."
    one = len(c.braces) == 1
    tie = "One brace ties its walls together" if one else f"{len(c.braces)} braces tie its walls together"
    windows = f"; the windows in {'it' if one else 'them'} let the air pass" if any(b.pockets for b in c.braces) else ""
    return f"{tie}{windows}."


def _first_modes(r: ReportPage) -> Iterator[str]:
    yield page.text("How it vibrates", "h2")
    f = r.now.modes.frequency_Hz
    yield page.text(
        f"Left alone, the walls would ring first at {f[0]:.0f} Hz. Well below that the cabinet moves as one piece."
    )
    if r.beside is None:
        rows = [[str(k), f"{v:.0f}"] for k, v in enumerate(f[:SHOWN], 1)]
        yield page.table(("mode", "Hz"), rows, (0, 1))
        return
    g = r.beside.modes.frequency_Hz
    rows = [
        [str(k), f"{a:.0f}", f"{b:.0f}", f"{100 * (b / a - 1):+.0f} %"]
        for k, (a, b) in enumerate(zip(g[:SHOWN], f[:SHOWN], strict=True), 1)
    ]
    yield page.table(("mode", "before, Hz", "now, Hz", "change"), rows, (0, 1, 2, 3))


def _sound_words(r: ReportPage) -> Iterator[str]:
    heard = r.now.heard
    if heard is None:
        yield "The design names no driver with a moving mass and a cone area, so its sound was not computed."
        return
    s = heard.sound
    mean = _mean_level(heard)
    yield (
        f"One metre in front of the {s.setup.drive.drivers[0]}, from {s.frequency_Hz[0]:.0f} to "
        f"{s.frequency_Hz[-1]:.0f} Hz, the walls together are on average {abs(mean):.0f} dB "
        f"{'below' if mean < 0 else 'above'} the drivers (20 dB below is a tenth of the sound pressure)."
    )
    if heard.humps:
        h = heard.humps[0]
        where = "below" if h.level_dB < 0 else "above"
        yield (
            f"They are loudest near {h.frequency_Hz:.0f} Hz, {abs(h.level_dB):.0f} dB {where} the drivers, "
            f"{'' if r.quick else f'mostly from the {h.panel} panel, '}{_CAUSE[h.cause]}."
        )
    if r.beside is not None and r.beside.heard is not None:
        old = r.beside.heard
        yield f"Before the change the average was {_mean_level(old):.1f} dB and is now {mean:.1f} dB." + (
            f" The loudest place was {old.humps[0].level_dB:.1f} dB and is now {heard.humps[0].level_dB:.1f} dB."
            if old.humps and heard.humps
            else ""
        )
    if r.quick:
        yield "This is a rough estimate: each panel is taken as if it were set in an endless wall."


def _why(r: ReportPage) -> Iterator[str]:
    c = r.now.cabinet
    if r.beside is not None and r.changes:
        braces = sorted({k.split(".")[1] for k, _, _ in r.changes if k.startswith("braces.")})
        if braces:
            yield f"Changed against {r.beside.cabinet.name}: {', '.join(braces)}."
    ties = [f"{b.name} stands across the {_WAY[b.normal]} at {b.at:.0f} mm" for b in c.braces]
    if ties:
        yield "Each brace joins walls that would otherwise move against each other: " + "; ".join(ties) + "."
    f = np.sort(r.now.modes.frequency_Hz[:SHOWN])
    closest = float((np.diff(f) / f[:-1]).min() * 100)
    yield (f"Modes that lie close together add up. Of the first {len(f)}, the closest two are {closest:.1f} % apart.")
    yield (
        "Computed before any wood was cut; real boards differ, so frequencies within 5 to 10 % of these are to be "
        "expected until the boards themselves have been measured."
    )


# ------------------------------------------------------------------ the maker's pages


def maker(r: ReportPage) -> Iterator[str]:
    """Yield the pages for the workshop."""
    n = r.now
    yield page.text("For the maker", "h1")
    yield from _changed(r)
    yield page.text("Modes", "h2")
    yield from _modes(r)
    yield page.text("Sound", "h2")
    yield from _sound(r)
    yield page.text("Limits and what is left of them", "h2")
    yield from _limits(r)
    yield page.text("Pockets", "h2")
    drawn = [plots.figure_of(plots.pocket_drawing(n.cabinet, b.name)) for b in n.cabinet.braces]
    named = [f"{b.name}: wood to the walls and tightest radius, mm" for b in n.cabinet.braces]
    yield page.side_by_side(*(page.picture(d, s) for d, s in zip(drawn, named, strict=True)))
    yield page.text("What to saw", "h2")
    yield from _cut(r)
    yield page.text("Cautions", "h2")
    yield page.text(CAUTIONS, "pre")
    yield page.text("Where these numbers come from", "h2")
    yield from _provenance(r)


def _changed(r: ReportPage) -> Iterator[str]:
    if r.beside is not None:
        yield page.text("What changed in the design file", "h2")
        if r.changes:
            yield page.table(("key", f"before ({r.beside.cabinet.name})", "now"), r.changes)
        else:
            yield page.text("Nothing.")
        ladder = plots.frequency_ladder(r.beside.modes, r.now.modes)
        yield page.picture(plots.figure_of(ladder), "Modes before and now.")


def _modes(r: ReportPage) -> Iterator[str]:
    m = r.now.modes
    rows = [
        [str(k), f"{f:.1f}", f"{eta:.4f}", f"{100 * (c / f - 1):+.2f} %"]
        for k, (f, eta, c) in enumerate(zip(m.frequency_Hz, m.loss_factor, r.coarse_Hz, strict=True), 1)
    ]
    yield page.table(("mode", "Hz", "loss factor", "on the coarser mesh"), rows, (0, 1, 2, 3))
    if len(r.now.whole_Hz):
        whole = ", ".join(f"{f:.0f}" for f in r.now.whole_Hz)
        yield page.text(f"Left out: the whole cabinet on its supports, at {whole} Hz.")
    if r.beside is None:
        yield page.picture(plots.figure_of(plots.frequency_ladder(m)), "Where they lie.")
    maps = (plots.unfolded(r.now.model, m, k) for k in range(1, min(MAPS, len(m)) + 1))
    yield page.side_by_side(*(page.picture(plots.figure_of(a), f"Mode {k}, unfolded.") for k, a in enumerate(maps, 1)))
    seen = plots.deformed(r.now.model, m, 1, see_through=True)
    yield page.picture(plots.figure_of(seen), "The first mode in space, panels looked through.")


def _sound(r: ReportPage) -> Iterator[str]:
    heard = r.now.heard
    if heard is None:
        yield page.text("Not computed: no driver has moving_mass_g and piston_area_cm2.")
        return
    other = r.beside.heard if r.beside else None
    yield page.picture(
        plots.figure_of(sound_plots.levels(heard, other)), "Walls over drivers at the point; humps named."
    )
    rows = [
        [
            f"{h.frequency_Hz:.0f}",
            f"{h.level_dB:.1f}",
            str(h.mode),
            f"{h.panel}, {100 * h.panel_share:.0f} %",
            h.cure,
        ]
        for h in heard.humps
    ]
    yield page.table(("Hz", "dB", "mode", "mostly from", "what may help"), rows, (0, 1, 2))
    yield page.picture(plots.figure_of(sound_plots.third_octaves(heard, other)), "In radiated power, by third octaves.")
    share = ", ".join(f"{k} {100 * v:.0f} %" for k, v in heard.panels.items())
    yield page.text(f"Share of the panels: {share}.")


def _limits(r: ReportPage) -> Iterator[str]:
    rows = [
        [k, f"{v:.1f} {'%' if k.startswith('open_area') else 'mm'}", "short!" if v < -1e-6 else "kept"]
        for k, v in sorted(r.margins.items(), key=lambda item: item[1])
        if k.split(".")[0] not in ("volume", "mass", "series")
    ]
    yield page.table(("limit", "left", ""), rows, (1,))
    small = [f"{w.where}: {w.what} {w.distance:.1f} mm, wanted {w.wanted:g}" for w in r.now.account.warnings]
    yield (
        page.text("Clearances smaller than common practice:") + page.listed(small)
        if small
        else page.text("No clearance is smaller than common practice.")
    )


def _cut(r: ReportPage) -> Iterator[str]:
    c = r.now.cabinet
    parts = drawings(c)
    rows = cut_list(c, parts)
    lines = [
        [
            r.part,
            r.board,
            f"{r.thickness:g}",
            f"{r.length:.1f} x {r.width:.1f}",
            str(r.quantity),
            f"{r.mass_kg:.2f}",
        ]
        for r in rows
    ]
    yield page.table(("part", "board", "thick, mm", "length x width, mm", "pieces", "kg"), lines, (2, 3, 4, 5))
    totals = [f"{t.board}: {t.quantity} parts, {t.area_m2:.2f} m2, {t.mass_kg:.1f} kg" for t in board_totals(rows)]
    yield page.listed(totals)
    try:
        yield page.text(f"They fit on {len(nest(c, parts))} sheets.")
    except DesignError as e:
        yield page.text(str(e), kind="short")
    for group in assembly(c).conflicts:
        yield page.text(f"CANNOT BE ASSEMBLED AS DRAWN: {', '.join(group)} lock each other.", kind="short")


def _provenance(r: ReportPage) -> Iterator[str]:
    n, (mean, most) = r.now, r.error_percent
    missed = {None: "not counted", 0: "none"}.get(n.modes.missed_modes, str(n.modes.missed_modes))
    yield page.table(
        ("", ""),
        [
            ["bracewright", __version__],
            ["design, SHA-256 of its saved text", r.design_hash],
            ["side of an element", f"{n.model.size:g} mm"],
            ["unknowns", str(n.model.dofs)],
            ["joints", n.model.joint_model],
            ["modes missed, by inertia count", missed],
            [f"against elements of {r.coarser * n.model.size:g} mm", f"mean {mean:.2f} %, largest {most:.2f} %"],
        ],
    )
    yield page.text(
        "The last line is a cautious estimate of the error that the mesh brings: how much the modes change on elements "
        "half as coarse again. What the boards differ from their data comes on top."
    )


def _mean_level(heard: Heard) -> float:
    """Return the level of the mean square pressure over the band, dB."""
    s = heard.sound
    return float(10 * np.log10(np.mean(np.abs(s.cabinet_Pa / s.drivers_Pa) ** 2)))
