"""Small cabinets that tests share."""

from __future__ import annotations

from bracewright.boards import Board
from bracewright.design import Brace, Cabinet, JointSpec, Panel, Pocket
from bracewright.design.cabinet import PANELS
from bracewright.design.pockets import Rectangle

RIGID = JointSpec(kind="rigid")
SMALL = """
format = 1
name = "small"
[cabinet]
width = 220
depth = 300
height = 400
board = "b"
[boards.b]
material = "mdf"
thickness = 18
[[braces]]
name = "shelf"
normal = "z"
at = 110
board = "b"
[[braces.pockets]]
shape = "rectangle"
centre = [110, 150]
size = [90, 120]
corner_radius = 20
"""


def plain_board(thickness: float = 22.0, name: str = "b") -> Board:
    """The isotropic board of the solid references."""
    return Board.isotropic(thickness, 3.5, 0.25, 740.0, name=name)


def box(
    *,
    width: float = 220.0,
    depth: float = 300.0,
    height: float = 400.0,
    thickness: float = 22.0,
    braces: tuple[Brace, ...] = (),
    joint: JointSpec = RIGID,
    **more: object,
) -> Cabinet:
    """A closed box of one board."""
    return Cabinet(
        name="test box",
        width=width,
        depth=depth,
        height=height,
        boards=(plain_board(thickness),),
        panels=tuple(Panel(side=s, board="b") for s in PANELS),
        braces=braces,
        joint=joint,
        **more,  # type: ignore[arg-type]
    )


def pocket(centre: tuple[float, float], size: tuple[float, float], corner_radius: float = 20.0) -> Pocket:
    """A rectangular pocket."""
    return Pocket(shape=Rectangle(centre=centre, size=size, corner_radius=corner_radius))


def shelf(at: float = 230.0, **more: object) -> Brace:
    """A horizontal brace with one pocket."""
    given: dict[str, object] = {
        "name": "shelf",
        "normal": "z",
        "board": "b",
        "pockets": (pocket((110, 150), (110, 160)),),
    }
    return Brace(at=at, **(given | more))  # type: ignore[arg-type]
