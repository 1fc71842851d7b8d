"""Records of a cabinet: frozen, validated, changed with `dataclasses.replace`.

Lengths are in mm; every other quantity bears its unit in its name. The origin is the outer
bottom-left-front corner, x to the right, y to the back, z up.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import dataclass, field, fields, replace
from functools import cached_property
from typing import TypeVar

from bracewright.boards import Board
from bracewright.design.checks import choice, length, number, text
from bracewright.design.joinery import LEAST_WALL, Joinery, Rebate
from bracewright.design.mounted import Damping, Driver
from bracewright.design.pockets import Pocket, Shape
from bracewright.design.tuning import Tuning
from bracewright.errors import DesignError

T = TypeVar("T")
AXES = ("x", "y", "z")
PANELS = ("front", "back", "left", "right", "bottom", "top")
PANEL_NORMAL: Mapping[str, str] = {"front": "y", "back": "y", "left": "x", "right": "x", "bottom": "z", "top": "z"}
LOWER_PANELS = ("front", "left", "bottom")
JOINT_KINDS = ("rigid", "glued", "dry")
JOINT_FORMS = ("butt", "mitre", "rebate", "tongue", "housed")
SUPPORT_KINDS = ("free", "feet", "spikes", "stand", "clamped")
MAX_PARTS = 200
UNSTUFFED = 0.01  # loss factor of the air inside where nothing is said of stuffing


def in_plane(normal: str) -> tuple[str, str]:
    """Return the two in-plane axes of a part, in alphabetical order."""
    a, b = (axis for axis in AXES if axis != normal)
    return a, b


@dataclass(frozen=True, slots=True, kw_only=True)
class JointSpec:
    """How two parts hold together along a line.

    Parameters
    ----------
    kind : {"rigid", "glued", "dry", "springs"}
        ``rigid`` is one piece of wood; ``springs`` uses the two line stiffnesses; ``glued`` and ``dry``
        follow from the faces that touch.
    form : {"butt", "mitre", "rebate", "tongue", "housed"}
        Shape of the faces. A tongue or housing adds its cheeks, a rebate one shoulder, a mitre a longer face.
    tongue : float
        Thickness of a tongue, mm; 0 takes a third of the board.
    depth : float
        Depth of a tongue, rebate or housing, mm; 0 takes a third of the board.
    glue_E_GPa, glue_thickness : float
        Of the glue line (mm). Common practice for PVA, no source.
    contact_N_mm3 : float
        Normal stiffness of a dry face per area. Judgement: fit it to taps.
    translation_N_mm2 : float
        ``springs``: force per mm of line and mm of gap, in each of the three directions.
    rotation_N_rad : float
        ``springs``: moment (N mm) per mm of line and radian, about the line.
    loss_factor : float
        Of the joint itself.
    """

    kind: str = "glued"
    form: str = "butt"
    tongue: float = 0.0
    depth: float = 0.0
    glue_E_GPa: float = 1.0
    glue_thickness: float = 0.1
    contact_N_mm3: float = 40.0
    translation_N_mm2: float = 0.0
    rotation_N_rad: float = 0.0
    loss_factor: float = 0.0

    def __post_init__(self) -> None:
        choice(self.kind, "kind", (*JOINT_KINDS, "springs"))
        choice(self.form, "form", JOINT_FORMS)
        length(self.tongue, "tongue", low=0.0, high=60.0)
        length(self.depth, "depth", low=0.0, high=60.0)
        number(self.glue_E_GPa, "glue_E_GPa", low=1e-4, high=100.0, hint="GPa")
        length(self.glue_thickness, "glue_thickness", low=0.005, high=5.0)
        number(self.contact_N_mm3, "contact_N_mm3", low=0.0, high=1e6, hint="N per mm3")
        number(self.translation_N_mm2, "translation_N_mm2", low=0.0, high=1e9)
        number(self.rotation_N_rad, "rotation_N_rad", low=0.0, high=1e12)
        number(self.loss_factor, "loss_factor", low=0.0, high=2.0)


@dataclass(frozen=True, slots=True, kw_only=True)
class Supports:
    """What the cabinet stands on.

    Parameters
    ----------
    kind : {"free", "feet", "spikes", "stand", "clamped"}
        ``feet`` and ``spikes`` are points under the bottom panel, ``stand`` an elastic bed under all of
        it, ``clamped`` holds the corner lines named in `edges`.
    points : tuple of (x, y)
        Feet or spikes, mm; empty takes four, a tenth of the width in from the corners.
    stiffness_N_mm, lateral_N_mm : float
        Of each foot or spike, upright and sideways; 0 takes the kind's default.
    bed_N_mm3 : float
        Stiffness of the stand's bed per area.
    edges : tuple of str
        Corner lines such as ``"back-bottom"``.
    """

    kind: str = "free"
    points: tuple[tuple[float, float], ...] = ()
    stiffness_N_mm: float = 0.0
    lateral_N_mm: float = 0.0
    bed_N_mm3: float = 0.05
    edges: tuple[str, ...] = ()

    def __post_init__(self) -> None:
        choice(self.kind, "kind", SUPPORT_KINDS)
        for x, y in self.points:
            number(x, "points")
            number(y, "points")
        number(self.stiffness_N_mm, "stiffness_N_mm", low=0.0, high=1e8, hint="N per mm")
        number(self.lateral_N_mm, "lateral_N_mm", low=0.0, high=1e8, hint="N per mm")
        number(self.bed_N_mm3, "bed_N_mm3", low=0.0, high=1e5, hint="N per mm3")
        corners = [f"{a}-{b}" for a in PANELS for b in PANELS if PANEL_NORMAL[a] != PANEL_NORMAL[b]]
        for edge in self.edges:
            choice(edge, "edges", corners)
        if self.kind == "clamped" and not self.edges:
            raise DesignError('no edge is named; add edges, such as ["back-bottom"]', key="edges")


@dataclass(frozen=True, slots=True, kw_only=True)
class Panel:
    """One of the six outer boards."""

    side: str
    board: str
    grain_deg: float = 0.0
    mesh: str | None = None

    def __post_init__(self) -> None:
        choice(self.side, "side", PANELS)
        number(self.grain_deg, "grain_deg", low=-360, high=360)


@dataclass(frozen=True, slots=True, kw_only=True)
class Opening:
    """A through cut-out of a panel, with or without a rebate for a driver's frame round it."""

    name: str
    panel: str
    shape: Shape
    rebate: Rebate | None = None

    def __post_init__(self) -> None:
        text(self.name, "name")
        choice(self.panel, "panel", PANELS)
        if self.rebate:
            try:
                self.rebate.outline(self.shape.outline())
            except DesignError as e:
                raise e.within("rebate") from None


@dataclass(frozen=True, slots=True, kw_only=True)
class Brace:
    """A flat inner board; without pockets it is a partition and closes a chamber off.

    Parameters
    ----------
    normal : {"x", "y", "z"}
        Axis the brace stands across.
    at : float
        Mid-plane coordinate along the normal, mm.
    within : tuple of (axis, (lower part, upper part))
        Parts it stops at; along an axis not named it spans the whole inner section.
    tilt_deg, tilt_about : float, str
        Turn by the right-hand rule about this in-plane axis through the middle of the cabinet at `at`.
    """

    name: str
    normal: str
    at: float
    board: str
    pockets: tuple[Pocket, ...] = ()
    within: tuple[tuple[str, tuple[str, str]], ...] = ()
    tilt_deg: float = 0.0
    tilt_about: str | None = None
    grain_deg: float = 0.0
    mesh: str | None = None

    def __post_init__(self) -> None:
        text(self.name, "name")
        if self.name in PANELS:
            raise DesignError(f"got {self.name!r}, which is the name of a panel; choose another name", key="name")
        choice(self.normal, "normal", AXES)
        length(self.at, "at", low=1.0, high=5000.0)
        number(self.tilt_deg, "tilt_deg", low=-60, high=60, hint="degrees")
        number(self.grain_deg, "grain_deg", low=-360, high=360)
        axes = in_plane(self.normal)
        if self.tilt_deg and self.tilt_about is None:
            raise DesignError(
                f"tilt_deg is {self.tilt_deg:g} but the axis is missing; add tilt_about", key="tilt_about"
            )
        if self.tilt_about is not None:
            choice(self.tilt_about, "tilt_about", axes)
        for axis, ends in self.within:
            choice(axis, "within", axes)
            if ends[0] == ends[1]:
                raise DesignError(f"both ends are {ends[0]!r}; name two different parts", key=f"within.{axis}")

    @property
    def is_partition(self) -> bool:
        """Whether it has no pocket and so closes a chamber off."""
        return not self.pockets


def _named(records: Mapping[str, T], name: str, key: str) -> T:
    """Return a record by name; raises DesignError where there is none."""
    if name not in records:
        choice(name, key, list(records))
    return records[name]


@dataclass(frozen=True, kw_only=True)
class Cabinet:
    """A whole cabinet. Everything in it has been checked when the constructor returns.

    Raises
    ------
    DesignError
        If anything in it cannot be built; the key names the culprit.
    """

    name: str
    width: float
    depth: float
    height: float
    boards: tuple[Board, ...]
    panels: tuple[Panel, ...]
    openings: tuple[Opening, ...] = ()
    drivers: tuple[Driver, ...] = ()
    braces: tuple[Brace, ...] = ()
    joint: JointSpec = field(default_factory=JointSpec)
    joint_overrides: tuple[tuple[str, JointSpec], ...] = ()
    supports: Supports = field(default_factory=Supports)
    brace_joint: JointSpec | None = None
    joinery: Joinery = field(default_factory=Joinery)
    damping: tuple[Damping, ...] = ()
    stuffing_loss_factor: float = UNSTUFFED
    tune: Tuning = field(default_factory=Tuning)

    def __post_init__(self) -> None:
        text(self.name, "name")
        for key in ("width", "depth", "height"):
            length(getattr(self, key), f"cabinet.{key}", low=40.0, high=5000.0)
        if len(self.braces) + len(self.openings) + sum(len(b.pockets) for b in self.braces) > MAX_PARTS:
            raise DesignError(f"more than {MAX_PARTS} braces, pockets and openings; simplify the design", key="braces")
        self._check_names()
        self._check_boards()
        from bracewright.design import fits

        fits.check(self)

    def _check_names(self) -> None:
        for key, names in (
            ("boards", [b.name for b in self.boards]),
            ("panels", [p.side for p in self.panels]),
            ("openings", [o.name for o in self.openings]),
            ("drivers", [d.opening for d in self.drivers]),
            ("braces", [b.name for b in self.braces]),
        ):
            twice = sorted({n for n in names if names.count(n) > 1})
            if twice:
                raise DesignError(f"the name {twice[0]!r} is used twice; give each its own name", key=key)
        if sorted(p.side for p in self.panels) != sorted(PANELS):
            raise DesignError(f"a cabinet has the six panels {', '.join(PANELS)}", key="cabinet.panels")
        known = [o.name for o in self.openings]
        for d in self.drivers:
            choice(d.opening, "drivers.opening", known)
            if d.rear_brace:
                choice(d.rear_brace, f"drivers.{d.opening}.rear_brace", [b.name for b in self.braces])
                if self.brace(d.rear_brace).normal != PANEL_NORMAL[self.opening(d.opening).panel]:
                    raise DesignError(
                        f"{d.rear_brace!r} does not stand across the driver's axis; name a brace that does",
                        key=f"drivers.{d.opening}.rear_brace",
                    )
        for k, sheet in enumerate(self.damping):
            choice(sheet.part, f"damping[{k}].part", self.parts)
        number(self.stuffing_loss_factor, "stuffing.loss_factor", low=0.0, high=2.0)
        for b in self.braces:
            for axis, ends in b.within:
                for end in ends:
                    choice(end, f"braces.{b.name}.within.{axis}", [p for p in self.parts if p != b.name])

    def _check_boards(self) -> None:
        known = [b.name for b in self.boards]
        users = [(f"cabinet.panels.{p.side}", p.board) for p in self.panels]
        users += [(f"braces.{b.name}", b.board) for b in self.braces]
        for key, name in users:
            choice(name, f"{key}.board", known)
        for k, c in enumerate(self.tune.choices):
            if c.brace:
                choice(c.brace, f"tune.choices[{k}].brace", [b.name for b in self.braces])
            else:
                choice(c.board, f"tune.choices[{k}].board", known)
        for stock in self.joinery.stocks:
            choice(stock.board, "joinery.boards", known)
        for p in self.panels:
            limit = min(self.size(PANEL_NORMAL[p.side]), *(self.size(a) for a in in_plane(PANEL_NORMAL[p.side]))) / 3
            t = self.board(p.board).thickness
            if t > limit:
                raise DesignError(
                    f"board {p.board!r} is {t:g} thick, more than a third of the cabinet ({limit:g}); "
                    "choose a thinner board or a larger cabinet",
                    key=f"cabinet.panels.{p.side}.board",
                )
        for o in self.openings:
            left = self.part_board(o.panel).thickness - (o.rebate.depth if o.rebate else 0.0)
            if o.rebate and left < LEAST_WALL:
                raise DesignError(
                    f"got {o.rebate.depth:g}, which leaves {left:.3g} of {o.panel!r}, a board "
                    f"{left + o.rebate.depth:.4g} thick; leave {LEAST_WALL:g} or more",
                    key=f"openings.{o.name}.rebate.depth",
                )

    @cached_property
    def _hash(self) -> int:
        return hash(tuple(getattr(self, f.name) for f in fields(self)))

    def __hash__(self) -> int:
        return self._hash  # asked for often, and a whole design is long

    def __getstate__(self) -> dict[str, object]:
        # Hashes of text differ from process to process: what is cached stays behind.
        return {f.name: getattr(self, f.name) for f in fields(self)}

    def size(self, axis: str) -> float:
        """Outer size along an axis, mm."""
        return {"x": self.width, "y": self.depth, "z": self.height}[axis]

    @cached_property
    def _board_named(self) -> dict[str, Board]:
        return {b.name: b for b in self.boards}

    @cached_property
    def _panel_at(self) -> dict[str, Panel]:
        return {p.side: p for p in self.panels}

    @cached_property
    def _brace_named(self) -> dict[str, Brace]:
        return {b.name: b for b in self.braces}

    @cached_property
    def _opening_named(self) -> dict[str, Opening]:
        return {o.name: o for o in self.openings}

    def board(self, name: str) -> Board:
        """Return the board of that name."""
        return _named(self._board_named, name, "boards")

    @property
    def parts(self) -> tuple[str, ...]:
        """Names of all panels, then of all braces."""
        return (*PANELS, *(b.name for b in self.braces))

    def panel(self, side: str) -> Panel:
        """Return a panel by side."""
        return _named(self._panel_at, side, "cabinet.panels")

    def brace(self, name: str) -> Brace:
        """Return a brace by name."""
        return _named(self._brace_named, name, "braces")

    def opening(self, name: str) -> Opening:
        """Return an opening by name."""
        return _named(self._opening_named, name, "openings")

    def part_board(self, part: str) -> Board:
        """Return the board a panel or brace is made of."""
        return self.board(self.panel(part).board if part in PANELS else self.brace(part).board)

    def joint_between(self, a: str, b: str) -> JointSpec:
        """Return the joint between two parts: its own, or the default of braces or of all."""
        for key, spec in self.joint_overrides:
            if key in (f"{a}-{b}", f"{b}-{a}"):
                return spec
        if self.brace_joint is not None and not (a in PANELS and b in PANELS):
            return self.brace_joint
        return self.joint

    def with_joints(self, change: Callable[[JointSpec], JointSpec]) -> Cabinet:
        """Return the design with every joint changed: the default, that of braces, and those of single lines."""
        return replace(
            self,
            joint=change(self.joint),
            brace_joint=None if self.brace_joint is None else change(self.brace_joint),
            joint_overrides=tuple((key, change(spec)) for key, spec in self.joint_overrides),
        )
