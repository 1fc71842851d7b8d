"""Random designs: every kind of record and shape, valid by construction or refused by the constructor."""

from __future__ import annotations

from dataclasses import replace

from hypothesis import assume
from hypothesis import strategies as st

from bracewright.boards import Board, Layer, library
from bracewright.design import pockets
from bracewright.design.cabinet import PANELS, Brace, Cabinet, JointSpec, Opening, Panel, Supports, in_plane
from bracewright.design.joinery import Joinery, Rebate, Stock
from bracewright.design.mounted import Damping, Driver
from bracewright.design.pockets import Pocket
from bracewright.errors import DesignError


def values(low: float, high: float) -> st.SearchStrategy[float]:
    """Numbers with digits that do not end, whole ones, and both ends."""
    return st.one_of(st.floats(low, high, allow_subnormal=False), st.integers(int(low) + 1, int(high)).map(float))


@st.composite
def shapes(draw: st.DrawFn, centre: tuple[float, float], room: float) -> pockets.Shape:
    """A shape that fits in a circle of radius `room` about `centre`."""
    size = (draw(values(0.5 * room, 1.2 * room)), draw(values(0.5 * room, 1.2 * room)))
    turn = draw(st.sampled_from([0.0, 30.0, -12.3456789]))
    ring = [
        (centre[0] + a * room * 0.8, centre[1] + b * room * 0.8)
        for a, b in ((-1, -0.4), (0.7, -0.6), (0.5, 0.8), (-0.6, 0.7))
    ]
    return draw(
        st.sampled_from(
            [
                pockets.Circle(centre=centre, diameter=size[0]),
                pockets.Ellipse(centre=centre, semi_axes=(size[0] / 2, size[1] / 2), rotation_deg=turn),
                pockets.Rectangle(centre=centre, size=size, corner_radius=min(size) / 7, rotation_deg=turn),
                pockets.Rectangle(centre=centre, size=size),
                pockets.Stadium(centre=centre, size=size, rotation_deg=turn),
                pockets.Superellipse(centre=centre, size=size, exponent=draw(values(2, 6))),
                pockets.Polygon(points=tuple(ring), corner_radius=room / 9),
                pockets.Spline(points=tuple(ring)),
            ]
        )
    )


def _oblique(thickness: float, angle_deg: float, E1_GPa: float = 11.0, density_kg_m3: float = 620.0) -> Board:
    """Three layers of one grain at an angle."""
    layer = Layer(
        thickness=thickness / 3,
        E1_GPa=E1_GPa,
        E2_GPa=1.1,
        poisson12=0.1,
        G12_GPa=0.7,
        G13_GPa=0.5,
        G23_GPa=0.07,
        density_kg_m3=density_kg_m3,
        angle_deg=angle_deg,
    )
    return Board(layers=(layer,) * 3, loss_factor=0.0137)


@st.composite
def boards(draw: st.DrawFn, name: str) -> Board:
    """A board of the library, by numbers, or by layers."""
    t = draw(values(6, 25))
    loss = draw(st.sampled_from([0.02, 0.0137]))
    material = draw(st.sampled_from(sorted(library())))
    oblique = _oblique(t, draw(values(-89, 89)), draw(values(1, 15)), draw(values(400, 900)))
    return draw(
        st.sampled_from(
            [
                Board.of(material, t, name=name),
                Board.of(material, t, name=name, loss_factor=0.031, cost_per_m2=12.5),
                Board.isotropic(t, 3.21, 0.27, 745.6, loss_factor=loss, name=name),
                Board.isotropic(t, 3.21, 0.27, 745.6, G_through_GPa=0.2, name=name),
                replace(oblique, loss_factor=loss, name=name),
            ]
        )
    )


# Boards of a whole cabinet, carcass and braces. Joints' sections are computed once for each pair, not for each design.
KITS = [
    (Board.of("mdf", 18.0), Board.of("mdf", 18.0)),
    (Board.of("mdf", 22.0), Board.of("birch_plywood", 12.0)),
    (Board.of("birch_plywood", 18.0), Board.of("birch_plywood", 9.0)),
    (Board.of("birch_plywood", 12.0), Board.of("mdf", 25.0)),
    (Board.of("particleboard", 19.0), Board.of("hdf", 6.0)),
    (Board.of("softwood_plywood", 15.0), Board.of("solid_pine", 20.0)),
    (_oblique(12.0, 37.0), Board.of("mdf", 16.0)),
    (Board.isotropic(21.3, 3.21, 0.27, 745.6, G_through_GPa=0.2), _oblique(20.0, -63.0)),
    (Board.of("mdf", 25.0), Board.of("birch_plywood", 6.5)),
    (Board.isotropic(7.7, 3.21, 0.27, 745.6, loss_factor=0.0137), Board.of("mdf", 24.5)),
]


@st.composite
def kits(draw: st.DrawFn) -> tuple[Board, Board]:
    """Two boards of `KITS` under the names that designs give them."""
    carcass, brace = draw(st.sampled_from(KITS))
    return replace(carcass, name="carcass"), replace(brace, name="brace")


@st.composite
def joint_specs(draw: st.DrawFn) -> JointSpec:
    """Any joint."""
    return draw(
        st.sampled_from(
            [
                JointSpec(),
                JointSpec(kind="rigid"),
                JointSpec(kind="dry", contact_N_mm3=33.3),
                JointSpec(kind="glued", form="tongue", tongue=2.5, depth=3.1, glue_thickness=0.07),
                JointSpec(kind="springs", translation_N_mm2=12.5, rotation_N_rad=1234.5),
            ]
        )
    )


SUPPORTS = [
    Supports(),
    Supports(kind="feet", stiffness_N_mm=55.5),
    Supports(kind="spikes", points=((30.0, 30.0), (170.5, 30.0), (100.0, 190.25))),
    Supports(kind="stand", bed_N_mm3=0.07),
    Supports(kind="clamped", edges=("back-bottom", "back-top")),
]


DAMPING = [
    (),
    (
        Damping(part="left", thickness=3.3, E_GPa=0.05, density_kg_m3=1500, loss_factor=0.4),
        Damping(
            part="back",
            thickness=2,
            E_GPa=1e-3,
            density_kg_m3=90,
            loss_factor=1.2,
            poisson=0.3,
            centre=(101.5, 140),
            size=(60, 70.25),
        ),
        Damping(
            part="top",
            thickness=1.2,
            E_GPa=2e-3,
            density_kg_m3=1100,
            loss_factor=0.9,
            cover_thickness=0.25,
            cover_E_GPa=69.5,
            cover_density_kg_m3=2700,
        ),
    ),
]


@st.composite
def joineries(draw: st.DrawFn, board: str = "carcass") -> Joinery:
    """Any fit, cutters that pass their bush, any sheet; the board as measured or as it should be."""
    cutter = draw(values(2, 12))
    stock = Stock(
        board=board,
        thickness=draw(st.sampled_from([0.0, 18.3])),
        sheet=draw(st.sampled_from([(0.0, 0.0), (2500.0, 1250.5)])),
        cost=draw(st.sampled_from([0.0, 48.5])),
    )
    return Joinery(
        clearance=draw(st.one_of(st.just(0.075), st.floats(0, 0.3, allow_subnormal=False))),
        glue_gap=draw(values(0, 2)),
        stopped=draw(st.booleans()),
        cutter=cutter,
        groove_cutter=draw(st.sampled_from([0.0, 2.0])),
        guide_bush=cutter + draw(values(1, 20)),
        template=draw(values(4, 20)),
        sheet=draw(st.sampled_from([(2440.0, 1220.0), (2800.0, 2070.0)])),
        kerf=draw(values(0, 5)),
        trim=draw(values(0, 20)),
        oversize=draw(values(0, 5)),
        stocks=draw(st.sampled_from([(), (stock,)])),
    )


REBATES = [None, Rebate(depth=2.5, offset=6.25), Rebate(depth=3, offset=11)]


@st.composite
def braces(draw: st.DrawFn, name: str, size: dict[str, float], board: str) -> Brace:
    """A brace across any axis, perhaps tilted, with pockets or without."""
    normal = draw(st.sampled_from("xyz"))
    a, b = in_plane(normal)
    tilt = draw(st.sampled_from([0.0, 7.7, -15.0]))
    room = min(size[a], size[b]) / 6
    holes = tuple(
        Pocket(
            shape=draw(shapes((size[a] * u, size[b] * v), room * 0.8)), name=draw(st.sampled_from(["", "Fenster ä"]))
        )
        for u, v in draw(st.sampled_from([[], [(0.5, 0.5)], [(0.35, 0.35), (0.65, 0.65)]]))
    )
    return Brace(
        name=name,
        normal=normal,
        at=size[normal] * draw(st.floats(0.3, 0.7)),
        board=board,
        pockets=holes,
        tilt_deg=tilt,
        tilt_about=draw(st.sampled_from([a, b])) if tilt else None,
        grain_deg=draw(st.sampled_from([0.0, 90.0, 12.5])),
        within=draw(st.sampled_from([(), ((a, ("left", "right")),)])) if a == "x" else (),
    )


@st.composite
def cabinets(draw: st.DrawFn) -> Cabinet:
    """A whole design; combinations that cannot be built are passed over."""
    size = {"x": draw(values(200, 500)), "y": draw(values(220, 500)), "z": draw(values(300, 1100))}
    names = ("carcass", "Weiß 'b' \\u00e9".replace("\\u00e9", "é"))
    own = tuple(draw(boards(n)) for n in names)
    centre = (size["x"] / 2, size["z"] / 2)
    try:
        openings = (
            Opening(
                name="woofer 1",
                panel="front",
                shape=draw(shapes(centre, size["x"] / 5)),
                rebate=draw(st.sampled_from(REBATES)),
            ),
        )
    except DesignError:  # a shape whose edge cannot be offset
        assume(False)
        raise
    drivers = (
        Driver(
            opening="woofer 1", mass_kg=draw(values(0, 5)), frame=draw(st.sampled_from(["free", "rigid"])), depth=70
        ),
    )
    try:
        return Cabinet(
            name=draw(st.sampled_from(["a", 'Kiste "zwölf" #3'.replace('"', "'"), "日本"])),
            width=size["x"],
            depth=size["y"],
            height=size["z"],
            boards=own,
            panels=tuple(
                Panel(side=s, board=draw(st.sampled_from(names)), grain_deg=draw(st.sampled_from([0.0, 90.0])))
                for s in PANELS
            ),
            openings=openings,
            drivers=draw(st.sampled_from([(), drivers])),
            braces=tuple(draw(braces(f"brace {k}", size, names[1])) for k in range(draw(st.integers(0, 2)))),
            joint=draw(joint_specs()),
            supports=draw(st.sampled_from(SUPPORTS)),
            damping=draw(st.sampled_from(DAMPING)),
            joinery=draw(joineries()),
            brace_joint=draw(st.sampled_from([None, JointSpec(kind="dry")])),
            stuffing_loss_factor=draw(st.sampled_from([0.01, 0.05])),
            joint_overrides=draw(st.sampled_from([(), (("front-left", draw(joint_specs())),)])),
        )
    except DesignError:
        assume(False)
        raise
