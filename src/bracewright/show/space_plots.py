"""Pictures in space: the cabinet as it stands, a mode's deformed shape, and moving pictures of it."""

from __future__ import annotations

import base64
import io
import os
import tempfile
from collections.abc import Iterator
from dataclasses import dataclass
from html import escape
from pathlib import Path
from typing import TYPE_CHECKING, Any

import numpy as np
from numpy.typing import NDArray

from bracewright.design.cabinet import AXES, LOWER_PANELS, PANEL_NORMAL, PANELS
from bracewright.errors import DesignError, MissingExtraError
from bracewright.fem.export import displacement
from bracewright.fem.mesh import MM
from bracewright.fem.modes import Modes
from bracewright.fem.parts import FlatPart
from bracewright.fem.system import Model
from bracewright.files import write_file
from bracewright.show.canvas import PLAIN, QUARTERS, check, new_axes

if TYPE_CHECKING:
    from matplotlib.artist import Artist
    from matplotlib.axes import Axes

Array = NDArray[np.float64]
SIZE = (6.4, 6.0)  # inches
VIEW = (22.0, -58.0)  # degrees: from the front, a little from the right and above
SHARE = 0.06  # of the largest outer size: how far the largest motion is drawn
LIGHT = np.array([0.35, -0.6, 0.72])
FAINT = 0.10  # opacity of a panel that is looked through


@dataclass(frozen=True)
class Skin:
    """All parts' surfaces as flat triangles in space.

    Attributes
    ----------
    points : (n, 3) array
        mm.
    triangles : (t, 3) int array
    part : (t,) int array
        Number of each triangle's part, panels first.
    rims : (r, 3) int array
        Two ends and the middle of each side on an outline or cut-out, in the order end, middle, end.
    rim_part : (r,) int array
    """

    points: Array
    triangles: NDArray[np.int64]
    part: NDArray[np.int64]
    rims: NDArray[np.int64]
    rim_part: NDArray[np.int64]

    @classmethod
    def of(cls, model: Model) -> Skin:
        """Collect the parts' surfaces: panels at the outside and out to its edges, braces in their mid-planes."""
        points, triangles, part, rims, rim_part = [], [], [], [], []
        first = 0
        for k, p in enumerate(model.parts.values()):
            mesh = p.mesh
            points.append(_at_outside(model, p) if p.name in PANELS else p.to_space(mesh.points) / MM)
            t = mesh.nodes6[:, QUARTERS].reshape(-1, 3) + first
            triangles.append(t)
            part.append(np.full(len(t), k))
            a, b = mesh.sides[mesh.boundary_sides].T
            rims.append(np.stack([a, mesh.corners + mesh.boundary_sides, b], axis=1) + first)
            rim_part.append(np.full(len(a), k))
            first += len(mesh.points)
        whole = [np.concatenate(x) for x in (points, triangles, part, rims, rim_part)]
        return cls(*whole)


def _at_outside(model: Model, part: FlatPart) -> Array:
    """Return a panel's nodes (n, 3), mm, on its outer face, those on its own edge moved out to the box's edges."""
    c, points = model.cabinet, part.to_space(part.mesh.points) / MM
    outer = np.array([c.width, c.depth, c.height])
    normal = AXES.index(PANEL_NORMAL[part.name])
    for k in range(3):
        low, high = points[:, k].min(), points[:, k].max()
        if k == normal:
            points[:, k] = 0.0 if part.name in LOWER_PANELS else outer[k]
        else:
            at = points[:, k].copy()
            points[at < low + 1e-3, k] = 0.0
            points[at > high - 1e-3, k] = outer[k]
    return points


def cabinet_drawing(model: Model, ax: Axes | None = None, *, see_through: bool = True) -> list[Artist]:
    """Draw the cabinet as it stands: panels looked through, braces in light and shade, openings as outlines.

    Parameters
    ----------
    model : Model
    ax : matplotlib 3-D Axes, optional
    see_through : bool
        Whether the braces are seen through the panels.
    """
    skin = Skin.of(model)
    grey = _shade(skin, skin.points)
    colours = np.column_stack([grey, 0.92 * grey, 0.78 * grey, np.ones_like(grey)])
    ax = ax or new_axes(SIZE, projection="3d")
    artists = _draw(ax, model, skin, skin.points, colours, see_through)
    ax.set_title(
        f"{model.cabinet.name}: {model.cabinet.width:g} x {model.cabinet.depth:g} x {model.cabinet.height:g} mm"
    )
    return artists


def deformed(
    model: Model,
    modes: Modes,
    number: int,
    ax: Axes | None = None,
    *,
    see_through: bool = False,
    phase: float = 1.0,
    largest: float | None = None,
) -> list[Artist]:
    """Draw a mode's deformed cabinet in space, coloured by how far each point moves.

    Parameters
    ----------
    model : Model
    modes : Modes
    number : int
        1 is the first elastic mode.
    ax : matplotlib 3-D Axes, optional
    see_through : bool
        Show the braces inside: the panels are then outlines and a faint skin.
    phase : float
        -1 to 1: where in the oscillation.
    largest : float, optional
        How far the largest motion is drawn, mm; the default is 6 % of the largest outer size.
    """
    check(model, modes, number)
    new = ax is None
    ax = ax or new_axes(SIZE, projection="3d")
    skin = Skin.of(model)
    drawn = SHARE * max(model.cabinet.width, model.cabinet.depth, model.cabinet.height) if largest is None else largest
    motion, size = _motion(model, modes, number)
    points = skin.points + phase * drawn * motion
    artists = _draw(ax, model, skin, points, _coloured(skin, points, size), see_through)
    f = modes.frequency_Hz[number - 1]
    ax.set_title(f"mode {number}: {f:.1f} Hz, largest motion drawn as {drawn:.3g} mm")
    if new:
        from matplotlib.cm import ScalarMappable

        bar = ax.figure.colorbar(ScalarMappable(cmap=PLAIN), ax=ax, shrink=0.6, pad=0.08)
        bar.set_label("motion over the largest")
    return artists


def movie(
    model: Model,
    modes: Modes,
    number: int,
    path: str | os.PathLike[str],
    *,
    frames: int = 20,
    see_through: bool = False,
    width_px: int = 480,
) -> None:
    """Write one period of a mode as a moving picture.

    Parameters
    ----------
    model : Model
    modes : Modes
    number : int
    path : path
        Ends in ``.gif``, or in ``.mp4`` where ffmpeg is installed.
    frames : int
        4 or more, even.
    see_through : bool
    width_px : int

    Raises
    ------
    DesignError
        Another ending, or too few frames.
    MissingExtraError
        An MP4 without ffmpeg.
    FileError
        The file cannot be written.
    """
    kind = Path(path).suffix.lower()
    if kind == ".gif":
        content = _gif(_frames(model, modes, number, frames, see_through, width_px))
    elif kind == ".mp4":
        content = _mp4(_frames(model, modes, number, frames, see_through, width_px))
    else:
        raise DesignError(f"got {os.fspath(path)!r}; end it in .gif or .mp4", key="path")
    write_file(path, content)


def movie_html(
    model: Model, modes: Modes, number: int, *, frames: int = 20, see_through: bool = False, width_px: int = 480
) -> str:
    """Return one period of a mode as an HTML image that holds everything, for a notebook's ``display(HTML(...))``."""
    data = base64.b64encode(_gif(_frames(model, modes, number, frames, see_through, width_px))).decode()
    said = escape(f"mode {number}, {modes.frequency_Hz[number - 1]:.1f} Hz, moving")
    return f'<img alt="{said}" width="{width_px}" src="data:image/gif;base64,{data}"/>'


def _frames(
    model: Model, modes: Modes, number: int, frames: int, see_through: bool, width_px: int
) -> Iterator[NDArray[np.uint8]]:
    """Yield the RGB pictures of one period; the way back shows the pictures of the way there."""
    from matplotlib.backends.backend_agg import FigureCanvasAgg

    check(model, modes, number)
    if frames < 4 or frames % 2:
        raise DesignError(f"got {frames}; give an even number, 4 or more", key="frames")
    there: list[NDArray[np.uint8]] = []
    for k in range(frames // 2 + 1):
        ax: Any = new_axes((4.8, 4.8), projection="3d")
        deformed(model, modes, number, ax, see_through=see_through, phase=float(np.cos(2 * np.pi * k / frames)))
        ax.figure.set_dpi(width_px / 4.8)
        canvas: Any = FigureCanvasAgg(ax.figure)
        canvas.draw()
        there.append(np.asarray(canvas.buffer_rgba())[..., :3].copy())
        yield there[-1]
    yield from there[-2:0:-1]


def _gif(pictures: Iterator[NDArray[np.uint8]]) -> bytes:
    from PIL import Image

    drawn = [Image.fromarray(p) for p in pictures]
    first = drawn[0].quantize(128)  # one palette for all keeps colours still
    rest = [p.quantize(palette=first, dither=Image.Dither.NONE) for p in drawn[1:]]
    out = io.BytesIO()
    first.save(out, format="GIF", save_all=True, append_images=rest, duration=1200 // len(drawn), loop=0)
    return out.getvalue()


def _mp4(pictures: Iterator[NDArray[np.uint8]]) -> bytes:
    from matplotlib.animation import FFMpegWriter
    from matplotlib.figure import Figure

    if not FFMpegWriter.isAvailable():
        raise MissingExtraError("an MP4 needs ffmpeg, which is not installed; install it or write a .gif")
    writer = FFMpegWriter(fps=15, extra_args=["-pix_fmt", "yuv420p"])
    drawn = list(pictures)
    high, wide = drawn[0].shape[:2]
    figure = Figure(figsize=(wide / 100, high / 100), dpi=100)
    image = figure.figimage(drawn[0])
    with tempfile.TemporaryDirectory() as folder:
        whole = Path(folder) / "mode.mp4"
        with writer.saving(figure, str(whole), dpi=100):
            for picture in drawn * 3:
                image.set_data(picture)
                writer.grab_frame()
        return whole.read_bytes()


def _motion(model: Model, modes: Modes, number: int) -> tuple[Array, Array]:
    """Motion of every point over the largest, (n, 3), and its size (n,)."""
    motion = np.concatenate([displacement(model, modes, name)[:, :, number - 1] for name in model.parts])
    size = np.linalg.norm(motion, axis=1)
    top = float(size.max()) or 1.0
    return motion / top, size / top


def _normals(skin: Skin, points: Array) -> Array:
    a, b, c = (points[skin.triangles[:, k]] for k in range(3))
    n = np.cross(b - a, c - a)
    return np.asarray(n / np.maximum(np.linalg.norm(n, axis=1, keepdims=True), 1e-12))


def _shade(skin: Skin, points: Array) -> Array:
    """Brightness (t,) of each triangle, 0.55 to 1: both faces alike."""
    return np.asarray(0.55 + 0.45 * np.abs(_normals(skin, points) @ (LIGHT / np.linalg.norm(LIGHT))))


def _coloured(skin: Skin, points: Array, size: Array) -> Array:
    from matplotlib import colormaps

    colours = colormaps[PLAIN](size[skin.triangles].mean(axis=1))
    colours[:, :3] *= (0.7 + 0.3 * _shade(skin, points))[:, None]
    return np.asarray(colours)


def _draw(ax: Any, model: Model, skin: Skin, points: Array, colours: Array, see_through: bool) -> list[Artist]:
    """Draw all triangles as one collection, so that near ones cover far ones, and outlines over them."""
    from mpl_toolkits.mplot3d.art3d import Line3DCollection, Poly3DCollection

    panel = skin.part < len(PANELS)
    artists: list[Artist] = []
    if see_through:
        faint = np.column_stack([colours[panel, :3], np.full(panel.sum(), FAINT)])
        artists.append(Poly3DCollection(points[skin.triangles[panel]], facecolors=faint, linewidths=0))
    drawn = ~panel if see_through else panel
    if drawn.any():
        # Without smoothed edges no light shows between triangles.
        faces, own = points[skin.triangles[drawn]], colours[drawn]
        artists.append(Poly3DCollection(faces, facecolors=own, linewidths=0, antialiased=False))
    for solid in artists:
        ax.add_collection3d(solid)
    # Lines are not sorted against faces: behind solid panels only the near ones are drawn.
    seen = np.ones(len(skin.rims), dtype=bool) if see_through else _near_rims(skin)
    lines = Line3DCollection(points[skin.rims[seen]], colors="black", linewidths=0.7)
    ax.add_collection3d(lines)
    c = model.cabinet
    sizes = (c.width, c.depth, c.height)
    margin = SHARE * max(sizes)
    for axis, size in zip(AXES, sizes, strict=True):
        getattr(ax, f"set_{axis}lim")(-margin, size + margin)
        getattr(ax, f"set_{axis}label")(f"{axis}, mm")
        getattr(ax, f"{axis}axis").set_major_locator(_ticks())
    ax.set_box_aspect([s + 2 * margin for s in sizes])
    ax.view_init(*VIEW)
    ax.tick_params(labelsize=7)
    return [*artists, lines]


def _near_rims(skin: Skin) -> NDArray[np.bool_]:
    """Which outlines are on the three panels seen from `VIEW`: front, right and top."""
    return np.asarray(np.isin(skin.rim_part, [PANELS.index(s) for s in ("front", "right", "top")]))


def _ticks() -> Any:
    from matplotlib.ticker import MaxNLocator

    return MaxNLocator(4)
