"""A stand-mount cabinet that has every shape, boards of three thicknesses, a tilted brace and crossings."""

from __future__ import annotations

import pytest

from bracewright.boards import Board
from bracewright.design import Brace, Cabinet, Opening, Panel, Pocket
from bracewright.design.joinery import Joinery
from bracewright.design.pockets import Circle, Ellipse, Polygon, Rectangle, Spline, Stadium, Superellipse
from bracewright.make import PartDrawing, drawings

ROUND = [(60.0, 100.0), (110.0, 80.0), (165.0, 110.0), (150.0, 200.0), (90.0, 220.0)]


@pytest.fixture(scope="session")
def cabinet() -> Cabinet:
    boards = (
        Board.of("mdf", 22, name="carcass"),
        Board.of("birch_plywood", 21.8, name="baffle"),
        Board.of("mdf", 18, name="thin"),
    )
    panels = tuple(
        Panel(side=s, board="baffle" if s == "front" else "carcass", grain_deg=90.0 if s == "front" else 0.0)
        for s in ("front", "back", "left", "right", "bottom", "top")
    )
    openings = (
        Opening(name="woofer", panel="front", shape=Circle(centre=(110, 269.5), diameter=120.3)),
        Opening(name="port", panel="front", shape=Stadium(centre=(110, 60), size=(90, 31), rotation_deg=7)),
        Opening(name="terminals", panel="back", shape=Rectangle(centre=(110, 80), size=(90, 60), corner_radius=6)),
    )
    braces = (
        Brace(name="shelf", normal="z", at=200, board="carcass", pockets=(Pocket(shape=Spline(points=ROUND)),)),
        Brace(
            name="étagère",
            normal="z",
            at=100,
            board="thin",
            tilt_deg=8,
            tilt_about="y",
            pockets=(
                Pocket(name="=1+1", shape=Ellipse(centre=(110, 90), semi_axes=(55.5, 30.1), rotation_deg=20)),
                Pocket(name="slot", shape=Stadium(centre=(150, 200), size=(40, 90))),
            ),
        ),
        Brace(
            name="spine",
            normal="x",
            at=90,
            board="thin",
            grain_deg=30,
            pockets=(
                Pocket(shape=Superellipse(centre=(150, 320), size=(130, 70), exponent=4.5)),
                Pocket(shape=Superellipse(centre=(150, 150), size=(130, 40), exponent=1.5)),
                Pocket(shape=Polygon(points=((50, 40), (150, 30), (240, 50), (200, 75), (80, 75)), corner_radius=8)),
            ),
        ),
        Brace(
            name="bulkhead",
            normal="y",
            at=230,
            board="carcass",
            within=(("z", ("shelf", "top")),),
            pockets=(
                Pocket(shape=Rectangle(centre=(140, 300), size=(60, 90), corner_radius=20, rotation_deg=12)),
                Pocket(shape=Rectangle(centre=(55, 300), size=(40, 60))),
                Pocket(shape=Circle(centre=(140, 360), diameter=17)),
            ),
        ),
    )
    return Cabinet(
        name="stand-mount",
        width=220,
        depth=300,
        height=400,
        boards=boards,
        panels=panels,
        openings=openings,
        braces=braces,
        joinery=Joinery(cutter=2),  # the exponent of 1.5 has tips of radius 1
    )


@pytest.fixture(scope="session")
def parts(cabinet: Cabinet) -> tuple[PartDrawing, ...]:
    return drawings(cabinet)
