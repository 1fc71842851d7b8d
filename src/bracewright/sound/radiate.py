"""What a moving box radiates: an operator per outer size, computed once, kept on disk and applied to any motion."""

from __future__ import annotations

import contextlib
import hashlib
import io
import os
import sys
import zipfile
from collections.abc import Callable
from dataclasses import dataclass
from functools import cached_property
from pathlib import Path
from typing import Any

import numpy as np
from numpy.typing import ArrayLike, NDArray
from threadpoolctl import threadpool_limits

from bracewright.errors import DesignError, FileError
from bracewright.files import write_file
from bracewright.sound import bem
from bracewright.sound.medium import DENSITY, SPEED
from bracewright.sound.surface import PER_WAVE, BoxSurface

Array = NDArray[np.float64]
Complex = NDArray[np.complex128]
Progress = Callable[[str], None]
VERSION = 1  # of what is kept on disk
MOST_PANELS = 240  # in an eighth of the surface
STEP_PHASE = 0.6  # rad across the box from one kept frequency to the next
STENCIL = 8
INSIDE_POINTS = 16


@dataclass(frozen=True)
class Outside:
    """Radiation operator of a box in free space.

    Attributes
    ----------
    surface : BoxSurface
    step_Hz : float
        The operator is kept at 0, step, 2 step, ... and interpolated between.
    kept : (f, 8, n (n + 1) / 2) complex array
        Upper triangles of area times Y by class of symmetry, m3: surface pressure = j w rho Y v. Symmetric, as
        reciprocity has it.
    """

    surface: BoxSurface
    step_Hz: float
    kept: NDArray[np.complex64]

    @property
    def highest_Hz(self) -> float:
        """Highest frequency the operator covers."""
        return self.step_Hz * (len(self.kept) - 1)

    @cached_property
    def _triangle(self) -> tuple[NDArray[np.intp], NDArray[np.intp]]:
        return np.triu_indices(len(self.surface.panels.corners))

    def _unpacked(self, packed: NDArray[Any]) -> Complex:
        i, j = self._triangle
        n = len(self.surface.panels.corners)
        full = np.empty((8, n, n), dtype=complex)
        full[:, i, j] = full[:, j, i] = packed
        return full

    def stencil(self, frequency_Hz: float) -> tuple[NDArray[np.int64], Array]:
        """Kept frequencies around a frequency and their Lagrange weights.

        Raises
        ------
        DesignError
            A frequency beyond what the operator covers.
        """
        if not 0 < frequency_Hz <= self.highest_Hz * (1 + 1e-9):
            raise DesignError(
                f"got {frequency_Hz:g} Hz; the operator reaches {self.highest_Hz:g} Hz", key="frequency_Hz"
            )
        x = frequency_Hz / self.step_Hz
        start = min(int(np.floor(x)) - STENCIL // 2 + 1, len(self.kept) - STENCIL)
        at = np.arange(start, start + STENCIL)
        weight = np.ones(STENCIL)
        for a in range(STENCIL):
            for b in range(STENCIL):
                if a != b:
                    weight[a] *= (x - at[b]) / (at[a] - at[b])
        return at, weight

    def at(self, frequency_Hz: float) -> Field:
        """Return the operator at one frequency."""
        at, weight = self.stencil(frequency_Hz)
        packed = np.zeros(self.kept.shape[1:], dtype=complex)
        for k, w in zip(at, weight, strict=True):
            packed += w * (self.kept[k] if k >= 0 else self.kept[-k].conj())
        return Field(self.surface, frequency_Hz, self._unpacked(packed))

    def loads(self, shapes: Array) -> AirLoad:
        """Prepare the impedance of the air on motions (panels, m) of the surface."""
        parts = self.surface.panels.to_classes(shapes).astype(np.float32)
        turned = parts.transpose(0, 2, 1)
        every = np.empty((len(self.kept), shapes.shape[1], shapes.shape[1]), dtype=np.complex64)
        for number, packed in enumerate(self.kept):
            # What is kept is single precision already; real and imaginary parts apart spare half the work.
            full = self._unpacked(packed).astype(np.complex64)
            real, imaginary = ((turned @ (y @ parts)).sum(axis=0) for y in (full.real, full.imag))
            every[number] = real + 1j * imaginary
        return AirLoad(self, every)


@dataclass(frozen=True)
class AirLoad:
    """The push of the outside air on given motions of the surface, at every kept frequency.

    Attributes
    ----------
    outside : Outside
    kept : (f, m, m) array
        Integral of one shape times Y times another over the surface, m3.
    """

    outside: Outside
    kept: NDArray[np.complex64]

    def impedance(self, frequency_Hz: float) -> Complex:
        """Return Z (m, m), N s/m: velocities q (m,) radiate q^H Re(Z) q / 2."""
        at, weight = self.outside.stencil(frequency_Hz)
        total = np.zeros(self.kept.shape[1:], dtype=complex)
        for k, w in zip(at, weight, strict=True):
            total += w * (self.kept[k] if k >= 0 else self.kept[-k].conj())
        return 2j * np.pi * frequency_Hz * DENSITY * total


@dataclass(frozen=True)
class Field:
    """The sound field outside at one frequency, for any outward velocity (panels, ...) of the surface, m/s.

    Attributes
    ----------
    surface : BoxSurface
    frequency_Hz : float
    area_y : (8, n, n) array
        Area times Y by class of symmetry.
    """

    surface: BoxSurface
    frequency_Hz: float
    area_y: Complex

    @property
    def source(self) -> complex:
        """j w rho."""
        return 2j * np.pi * self.frequency_Hz * DENSITY

    def pressure(self, velocity: NDArray[Any]) -> Complex:
        """Pressure on the surface (panels, ...), Pa."""
        p = self.surface.panels
        parts = p.to_classes(velocity)
        flat = self.area_y @ parts.reshape(*parts.shape[:2], -1)
        by_class = (flat / p.area[:, None]).reshape(parts.shape)
        return np.asarray(self.source * p.from_classes(by_class))

    def power(self, velocity: NDArray[Any]) -> NDArray[np.float64]:
        """Radiated power (...), W, for peak velocities."""
        area = self.surface.panels.all_area
        flux = np.real(self.pressure(velocity) * np.conj(velocity))
        return np.asarray(0.5 * np.tensordot(area, flux, axes=1))

    def transfer(self, points: ArrayLike) -> Complex:
        """Return the pressure (p, panels) at points (p, 3) outside, cabinet coordinates in m, per velocity of a panel.

        Raises
        ------
        DesignError
            A point inside the box or nearer to it than one panel.
        """
        surface = self.surface
        where = np.atleast_2d(np.asarray(points, dtype=float)) - surface.middle
        gap = np.linalg.norm(np.maximum(np.abs(where) - surface.middle, 0.0), axis=1).min()
        nearest = float((surface.middle / np.array(surface.counts)).max())
        if gap < nearest:
            raise DesignError(
                f"a listening point is {gap / 1e-3:.0f} from the cabinet; keep at least {nearest / 1e-3:.0f} away "
                "(lengths are in mm)",
                key="point",
            )
        s, d = bem.field(surface.panels, where, 2 * np.pi * self.frequency_Hz / SPEED)
        return self._through(s, d)

    def far(self, directions: Array) -> Complex:
        """Return p r exp(j k r) (d, panels) far off in unit directions (d, 3) from the middle of the box, Pa m."""
        p = self.surface.panels
        k = 2 * np.pi * self.frequency_Hz / SPEED
        xyz, w = p.points(bem.FAR_POINTS)
        every = (p.mirrors[:, None, None] * xyz).reshape(-1, 3)
        wave = np.exp(1j * k * (directions @ every.T)).reshape(len(directions), -1, w.shape[1])
        s = np.einsum("deq,eq->de", wave, np.tile(w, (len(p.mirrors), 1))) / (4 * np.pi)
        return self._through(s, s * (1j * k * (directions @ p.all_outward.T)))

    def _through(self, single: Complex, double: Complex) -> Complex:
        """Send the double layer's weights back through Y, which is symmetric but for the areas."""
        p = self.surface.panels
        back = p.to_classes((double / p.all_area).T)
        return np.asarray(self.source * (single + p.from_classes(self.area_y @ back).T))


def cache_folder() -> Path:
    """Return where operators are kept: BRACEWRIGHT_CACHE, or the system's place for caches."""
    own = os.environ.get("BRACEWRIGHT_CACHE")
    if own:
        return Path(own)
    home = Path.home()
    if sys.platform == "darwin":
        return home / "Library" / "Caches" / "bracewright"
    if sys.platform == "win32":
        return Path(os.environ.get("LOCALAPPDATA", home / "AppData" / "Local")) / "bracewright" / "Cache"
    return Path(os.environ.get("XDG_CACHE_HOME", home / ".cache")) / "bracewright"


def outside(
    size: tuple[float, float, float],
    highest_Hz: float = 2000.0,
    *,
    panel: float | None = None,
    cache: bool = True,
    progress: Progress | None = None,
) -> Outside:
    """Return the radiation operator of a box, from disk when it has been computed before.

    Parameters
    ----------
    size : (width, depth, height)
        Outer sizes, mm.
    highest_Hz : float
        100 to 5000.
    panel : float, optional
        Side of a boundary element, mm; the default takes six to a wavelength, fewer on very large boxes.
    cache : bool
        Whether to read and write the copy on disk. A copy that cannot be read is computed anew.
    progress : callable, optional
        Told in words what is being done.
    """
    if not 100.0 <= highest_Hz <= 5000.0:
        raise DesignError(f"got {highest_Hz:g}; compute sound up to 100..5000 Hz", key="highest_Hz")
    metres = (size[0] / 1e3, size[1] / 1e3, size[2] / 1e3)
    surface = BoxSurface.of(metres, panel / 1e3 if panel else SPEED / highest_Hz / PER_WAVE)
    while panel is None and len(surface.panels.corners) > MOST_PANELS:
        w, d, h = (max(2, int(n * 0.94)) for n in surface.counts)
        surface = BoxSurface(metres, (w, d, h))
    step = STEP_PHASE * SPEED / (2 * np.pi * float(np.linalg.norm(metres)))
    count = max(int(np.ceil(highest_Hz / step)) + 3, STENCIL)
    # Round numbers of the box and the grid, so that equal boxes share a file.
    name = f"{VERSION} {SPEED} {[round(1e6 * s) for s in metres]} {surface.counts} {count} {INSIDE_POINTS}"
    path = cache_folder() / f"outside-{hashlib.sha256(name.encode()).hexdigest()[:20]}.npz"
    n = len(surface.panels.corners)
    shape = (count, 8, n * (n + 1) // 2)
    kept = _read(path, shape) if cache else None
    if kept is None:
        kept = _computed(surface, step, shape, progress)
        if cache:
            _write(path, kept)
    return Outside(surface, step, kept)


def _computed(
    surface: BoxSurface, step: float, shape: tuple[int, int, int], progress: Progress | None
) -> NDArray[np.complex64]:
    p = surface.panels
    inside = bem.inside_points(surface.middle, INSIDE_POINTS)
    kernels = bem.Kernels(p, np.vstack([p.centre, inside]), own=True)
    i, j = np.triu_indices(len(p.corners))
    kept = np.empty(shape, dtype=np.complex64)
    with threadpool_limits(1):
        for number, (s, d) in enumerate(kernels.sweep(2 * np.pi * step / SPEED, shape[0])):
            if progress:
                progress(f"sound outside the box, once for its size: {number + 1} of {shape[0]} frequencies")
            ay = p.area[:, None] * bem.solved(p, s, d)
            kept[number] = ((ay + ay.transpose(0, 2, 1)) / 2)[:, i, j]
    return kept


def _read(path: Path, shape: tuple[int, ...]) -> NDArray[np.complex64] | None:
    try:
        with np.load(path, allow_pickle=False) as data:
            kept = data["kept"]
    except (OSError, ValueError, KeyError, EOFError, zipfile.BadZipFile):
        return None
    if kept.shape != shape or kept.dtype != np.complex64 or not np.isfinite(kept).all():
        return None
    return np.asarray(kept)


def _write(path: Path, kept: NDArray[np.complex64]) -> None:
    content = io.BytesIO()
    np.savez(content, kept=kept)
    # A cache that cannot be written costs time only.
    with contextlib.suppress(OSError, FileError):
        path.parent.mkdir(parents=True, exist_ok=True)
        write_file(path, content.getvalue())
