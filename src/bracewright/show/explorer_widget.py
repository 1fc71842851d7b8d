"""The explorer in a notebook: what the page is sent, what it asks for, and the widget between the two.

Needs the ``notebook`` extra. The page (`explorer.js`) draws and listens to the mouse; everything is decided here.
"""

from __future__ import annotations

from collections.abc import Mapping
from functools import cache
from importlib import resources
from typing import Any

import numpy as np
import shapely
from numpy.typing import NDArray

from bracewright.design import layout
from bracewright.design.cabinet import Cabinet
from bracewright.errors import BracewrightError, DesignError, MissingExtraError
from bracewright.fem.mesh import MM
from bracewright.show.canvas import GAP, QUARTERS, QUIET, SIGNED, outward, unfolding
from bracewright.show.explorer import Explorer, Step
from bracewright.tune.pockets import cut_names

BANDS = 16
SAVED, CUT = "explored.toml", "explored-cut"


class Session:
    """One open explorer: the explorer, what is shown, and the answers to the page's messages.

    Parameters
    ----------
    explorer : Explorer
    """

    def __init__(self, explorer: Explorer) -> None:
        self.explorer = explorer
        self.mode = 1
        self.serial = 0
        self.said = "Drag a black point, or the slider. Dashed: how far a pocket may go."
        self._level: dict[str, Any] | None = None
        self._drawn: tuple[object, int, tuple[dict[str, Any], bytes]] | None = None
        self._listen()

    def do(self, message: Mapping[str, Any]) -> None:
        """Do what the page asks; what cannot be done is said, and the design stays.

        Messages are ``{"do": ...}`` with drag (handle, to, release), move (at, release), pick (brace, pocket), mode
        (mode), undo, redo, pin, save (path), export (path).
        """
        self.serial = int(message.get("serial", self.serial))
        try:
            self.said = self._do(message)
        except BracewrightError as e:
            self.said = str(e)
        except (KeyError, TypeError, ValueError, IndexError) as e:
            self.said = f"not understood: {e}"

    def _do(self, message: Mapping[str, Any]) -> str:
        x, what = self.explorer, message["do"]
        path = str(message.get("path") or "")
        if what in ("drag", "move"):
            step = x.drag(message["handle"], message["to"]) if what == "drag" else x.move(float(message["at"]))
            if message.get("release"):
                x.release()
                self._listen()
            elif self._level:
                self._level["stale"] = True
            return self._told(step)
        if what == "pick":
            x.pick(str(message["brace"]), int(message["pocket"]))
            return f"picked {message['brace']}"
        if what == "mode":
            self.mode = min(max(1, int(message["mode"])), len(x.state.modes))
            return f"mode {self.mode}: {x.state.modes.frequency_Hz[self.mode - 1]:.1f} Hz"
        if what in ("undo", "redo"):
            done = x.undo() if what == "undo" else x.redo()
            self._listen()
            return f"{what}ne" if done and what == "undo" else "done again" if done else f"nothing to {what}"
        if what == "pin":
            x.pin()
            self._listen()
            return "pinned: the numbers and the dashed lines compare with this state"
        if what == "save":
            x.save(path or SAVED)
            return f"saved to {path or SAVED}"
        if what == "export":
            folder = path if path and not path.endswith(".toml") else CUT
            return f"{len(x.export(folder))} files written to {folder}"
        raise DesignError(f"got {what!r}", key="do")

    def _told(self, step: Step) -> str:
        at = ", ".join(f"{v:.1f}" for v in step.reached)
        f = self.explorer.state.modes.frequency_Hz[0]
        stop = f"; stopped by {', '.join(step.stopped_by)}" if step.stopped_by else ""
        short = self.explorer.short()
        stop += f"; short of {', '.join(short)}" if short else ""
        how = "solved afresh" if self.explorer.state.afresh else "solved"
        return f"at {at} mm: lowest mode {f:.1f} Hz, {how} in {self.explorer.state.seconds:.2f} s{stop}"

    def _listen(self) -> None:
        """Estimate the walls' level anew, and the pinned state's."""
        x = self.explorer
        now = x.level()
        self._level = None
        if now is not None:
            then = x.level(x.pinned) if x.pinned else None
            self._level = {"frequency_Hz": _list(now[0]), "now": _list(now[1]), "stale": False}
            self._level["pinned"] = _list(then[1]) if then else None

    def scene(self) -> dict[str, Any]:
        """Return everything the page shows but the picture's data, as plain values."""
        x, c = self.explorer, self.explorer.cabinet
        part = layout.layouts(c)[x.brace_name]
        pinned = x.pinned.cabinet if x.pinned else None
        pairs = x.comparison()
        return {
            "serial": self.serial,
            "said": self.said,
            "braces": [b.name for b in c.braces],
            "brace": x.brace_name,
            "pockets": list(cut_names(x.brace)),
            "pocket": x.pocket,
            "normal": x.brace.normal,
            "at": x.brace.at,
            "travel": list(x.travel()),
            "outline": part.corners.tolist(),
            "cuts": _cuts(c, x.brace_name),
            "pinned_cuts": _cuts(pinned, x.brace_name) if pinned else [],
            "allowed": allowed(x),
            "handles": [{"name": h.name, "at": list(h.at)} for h in x.handles()],
            "modes": [[p.frequency_Hz, p.pinned_Hz, p.change_percent] for p in pairs],
            "mode": self.mode,
            "has_pin": pinned is not None,
            "pinned_Hz": _list(x.pinned.modes.frequency_Hz) if x.pinned else [],
            "can_undo": x.can_undo,
            "can_redo": x.can_redo,
            "level": self._level,
            "picture": self._picture()[0],
        }

    def picture(self) -> bytes:
        """Return the unfolded mode as numbers: places, displacements, triangles, outlines (see `scene`'s picture)."""
        return self._picture()[1]

    def _picture(self) -> tuple[dict[str, Any], bytes]:
        state = self.explorer.state
        if self._drawn is None or self._drawn[0] is not state or self._drawn[1] != self.mode:
            self._drawn = state, self.mode, self._draw()
        return self._drawn[2]

    def _draw(self) -> tuple[dict[str, Any], bytes]:
        model, modes = self.explorer.state.model, self.explorer.state.modes
        places = unfolding(model.cabinet, {name: p.mesh.points / MM for name, p in model.parts.items()})
        shapes = {name: outward(model, modes, self.mode, name) for name in model.parts}
        largest = max(float(np.abs(w).max()) for w in shapes.values()) or 1.0
        faces, rims, lively, first = [], [], [], 0
        for name, p in model.parts.items():
            mesh = p.mesh
            faces.append(mesh.nodes6[:, QUARTERS].reshape(-1, 3) + first)
            moves = np.abs(shapes[name]).max() > QUIET * largest
            lively.append(("1" if moves else "0") * len(faces[-1]))
            a, b = mesh.sides[mesh.boundary_sides].T
            middle = mesh.corners + mesh.boundary_sides
            rims.append(np.concatenate([np.stack([a, middle], axis=1), np.stack([middle, b], axis=1)]) + first)
            first += len(mesh.points)
        points = np.concatenate([places[name] for name in model.parts])
        values = np.concatenate(list(shapes.values())) / largest
        triangles, lines = np.concatenate(faces), np.concatenate(rims)
        low, high = points.min(axis=0) - GAP / 2, points.max(axis=0) + GAP / 2
        head = {
            "counts": [len(points), len(triangles), len(lines)],
            "bounds": [*low.tolist(), *high.tolist()],
            "names": [[name, *places[name].min(axis=0).tolist()] for name in model.parts],
            "colours": _colours(),
            "lively": "".join(lively),
        }
        kinds = ((points, "<f4"), (values, "<f4"), (triangles, "<u4"), (lines, "<u4"))
        return head, b"".join(np.ascontiguousarray(a, dtype=kind).tobytes() for a, kind in kinds)


def allowed(explorer: Explorer) -> list[list[float]]:
    """Return the outline, mm, within which the pocket picked must stay: the brace less the webs wanted."""
    part = layout.layouts(explorer.cabinet)[explorer.brace_name]
    webs = explorer.webs()
    if not webs:
        return []
    room = part.outline()
    for edge in part.edges:
        web = webs.get(edge.part, explorer.limits.web_wall)
        if web > 0:
            room = room.difference(shapely.LineString([edge.start, edge.end]).buffer(web, cap_style="square"))
    if room.is_empty or room.geom_type != "Polygon":
        return []
    return [[float(a), float(b)] for a, b in room.exterior.coords[:-1]]


def explore(design: Explorer | Cabinet, size: float | None = None) -> Any:
    """Return the explorer as a notebook widget; display it as the last line of a cell.

    Parameters
    ----------
    design : Explorer or Cabinet
    size : float, optional
        Element side, mm, for a cabinet; default 40.

    Raises
    ------
    MissingExtraError
        The notebook extra is not installed.
    """
    if not isinstance(design, Explorer):
        design = Explorer(design) if size is None else Explorer(design, size)
    return _widget_class()(Session(design))


@cache
def _widget_class() -> Any:
    try:
        import anywidget
        import traitlets
    except ImportError as e:
        raise MissingExtraError(
            'the explorer needs the notebook extra; install it with pip install "bracewright[notebook]"'
        ) from e

    folder = resources.files("bracewright.show")

    class Widget(anywidget.AnyWidget):
        """The explorer's page."""

        _esm = folder.joinpath("explorer.js").read_text("utf-8")
        _css = folder.joinpath("explorer.css").read_text("utf-8")
        scene = traitlets.Dict().tag(sync=True)
        picture = traitlets.Bytes(b"").tag(sync=True)
        path = traitlets.Unicode(SAVED).tag(sync=True)

        def __init__(self, session: Session) -> None:
            self.session = session
            super().__init__(scene=session.scene(), picture=session.picture())
            self.on_msg(self._asked)

        @property
        def explorer(self) -> Explorer:
            """What the page shows, to go on with in other cells."""
            return self.session.explorer

        def _asked(self, _: Any, content: Mapping[str, Any], __: Any) -> None:
            self.session.do(content)
            # A byte that counts up makes two equal pictures differ, so that every answer arrives.
            mark = bytes([self.session.serial % 251])
            with self.hold_sync():
                self.scene = self.session.scene()
                self.picture = self.session.picture() + mark

    return Widget


def _cuts(cabinet: Cabinet, brace: str) -> list[list[list[float]]]:
    return [path.points(4.0).round(2).tolist() for _, path in layout.layouts(cabinet)[brace].cuts]


@cache
def _colours() -> list[str]:
    from matplotlib import colormaps
    from matplotlib.colors import to_hex

    return [to_hex(c) for c in colormaps[SIGNED]((np.arange(BANDS) + 0.5) / BANDS)]


def _list(values: NDArray[np.float64]) -> list[float]:
    return [float(v) for v in np.round(values, 3)]
