"""Free vibration of thick-board boxes as three-dimensional solids.

The frequencies in ``data/solid_boxes.json`` were made with this script. It is not a test and the library never
imports it; it needs one more package than the project does (``pip install ngsolve``).

    python solid_reference.py D T                       # print the first twenty elastic modes of two cases
    python solid_reference.py D --out D.json --orders 3 4 5 --levels 2 3
    python solid_reference.py --list

Method. The solid is built exactly (boxes, cylinders, prisms) and cut along its mirror planes; each combination of
symmetric and antisymmetric motion on those planes is an eigenproblem of its own. Tetrahedra are refined
geometrically towards every re-entrant edge (``RefineHP``: prisms and hexahedra appear there), where the stress is
singular and plain meshes converge slowly. Displacements are H1 elements of orders 3 to 5; every run is an upper
bound, so the differences between runs give the tail that is left:

    f = f(p, L) - (order tail) - (level tail),   order tail  = d_p r / (1 - r),  d_p = f(p-1, L) - f(p, L),
                                                level tail  = d_L s / (1 - s),  d_L = f(q, L) - f(q, L + 1).

``r`` is the ratio of the last two order steps, bounded to 0.2-0.5; ``s = grading ** 1.09`` is what one level takes off
the energy error at a 270-degree free edge (stress exponent 0.5445 - 1, Williams, J. Appl. Mech. 19 (1952) 526).
The error given is half of what was subtracted, and not less than 0.01 %.

Lengths in mm, mass in tonnes, stress in N/mm2 inside; results in Hz and kg.
"""

from __future__ import annotations

import argparse
import itertools
import json
import math
import os
import time
from collections.abc import Callable, Iterable
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

os.environ.setdefault("OMP_NUM_THREADS", "1")

import ngsolve as ng
import numpy as np
from netgen.occ import Axes, Axis, Box, Cylinder, Glue, OCCGeometry, Pnt, Sphere, WorkPlane, X, Y, Z
from scipy.sparse.linalg import LinearOperator, eigsh

ng.SetNumThreads(1)
GRADING = 0.15  # each layer at a re-entrant edge is this fraction of the one before
EDGE_EXPONENT = 1.09  # eigenvalue error ~ size ** (2 * 0.5445) at a 270-degree free edge
AXES = "xyz"
MDF = {"E_GPa": 3.5, "poisson": 0.25, "density_kg_m3": 740.0}
BIRCH = {"E1_GPa": 10.0, "E2_GPa": 7.5, "E3_GPa": 1.0, "poisson12": 0.15, "poisson13": 0.0, "poisson23": 0.0,
         "G12_GPa": 0.65, "G13_GPa": 0.2, "G23_GPa": 0.2, "density_kg_m3": 680.0}  # fmt: skip


@dataclass(frozen=True, slots=True, kw_only=True)
class Case:
    """A solid: its text, outer size in mm, mirror axes and a function that builds its pieces by panel name."""

    text: str
    size: tuple[float, float, float]
    mirrors: str
    build: Callable[[], dict[str, Any]]
    material: dict[str, float] = field(default_factory=lambda: dict(MDF))
    curved: bool = False
    mesh: dict[str, float] = field(default_factory=dict)


# ---------------------------------------------------------------------------------------------------- geometry


def block(low: Iterable[float], high: Iterable[float]) -> Any:
    """Axis-parallel box between two corners."""
    return Box(Pnt(*low), Pnt(*high))


def rounded(normal: str, at: float, centre: tuple[float, float], size: tuple[float, float], r: float, t: float) -> Any:
    """Prism with a rounded rectangle as section, `t` long along `normal`, centred on `at`."""
    origin, frame = {
        "x": (Pnt(at - t / 2, *centre), (X, Y)),
        "y": (Pnt(centre[0], at - t / 2, centre[1]), (Y, Z)),
        "z": (Pnt(*centre, at - t / 2), (Z, X)),
    }[normal]
    a, b = size if normal != "y" else size[::-1]
    plane = WorkPlane(Axes(origin, n=frame[0], h=frame[1])).MoveTo(-a / 2 + r, -b / 2)
    for side in (a, b, a, b):
        plane = plane.Line(side - 2 * r).Arc(r, 90)
    return plane.Close().Face().Extrude(t)


def shell(size: tuple[float, float, float], walls: tuple[float, ...], keep: Any = None, holes: Any = None) -> Any:
    """Outer box less its cavity; `keep` is what stays standing in the cavity, `holes` are cut from everything.

    `walls` are the thicknesses at x=0, x=W, y=0, y=D, z=0, z=H.
    """
    w, d, h = size
    void = block((walls[0], walls[2], walls[4]), (w - walls[1], d - walls[3], h - walls[5]))
    if keep is not None:
        void = void - keep
    body = block((0, 0, 0), size) - void
    return body if holes is None else body - holes


def closed(size: tuple[float, float, float], t: float) -> Callable[[], dict[str, Any]]:
    """Builder of a plain closed box of one board."""
    return lambda: {"board": shell(size, (t,) * 6)}


def _board(hole: bool = False) -> dict[str, Any]:
    plate = block((0, 0, 0), (400, 250, 22))
    return {"board": plate - Cylinder(Pnt(140, 125, -1), Z, r=75, h=24) if hole else plate}


def _box_e() -> dict[str, Any]:
    brace = block((0, 0, 219), (220, 300, 241)) - rounded("z", 230, (110, 150), (110, 160), 20, 30)
    return {"board": shell((220, 300, 400), (22,) * 6, brace)}


def _box_h() -> dict[str, Any]:
    def brace(at: float, pocket: Any) -> Any:
        return block((0, 0, at - 11), (220, 300, at + 11)) - pocket

    braces = (
        brace(215, rounded("z", 215, (110, 150), (110, 160), 20, 30))
        + brace(430, rounded("z", 430, (110, 150), (90, 180), 20, 30))
        + brace(660, Cylinder(Pnt(110, 150, 640), Z, r=60, h=40))
    )
    drills = [Cylinder(Pnt(110, -1, z), Y, r=d / 2, h=24) for d, z in ((140, 780), (140, 560), (70, 330))]
    return {"board": shell((220, 300, 900), (22,) * 6, braces, drills[0] + drills[1] + drills[2])}


def _box_t() -> dict[str, Any]:
    slab = block((0, -100, 189), (220, 400, 211)).Rotate(Axis(Pnt(0, 150, 200), X), 10)
    return {"board": shell((220, 300, 400), (22,) * 6, slab)}


def _box_t2() -> dict[str, Any]:
    level = block((0, 0, 189), (220, 300, 211)) - rounded("z", 200, (110, 150), (100, 150), 20, 30)
    upright = block((99, 0, 0), (121, 300, 400)) - rounded("x", 110, (150, 200), (150, 240), 20, 30)
    return {"board": shell((220, 300, 400), (22,) * 6, level + upright)}


def _box_o() -> dict[str, Any]:
    w, d, h, t = 220, 300, 400, 21
    return {
        "top_bottom": block((0, 0, 0), (w, d, t)) + block((0, 0, h - t), (w, d, h)),
        "left_right": block((0, 0, t), (t, d, h - t)) + block((w - t, 0, t), (w, d, h - t)),
        "front_back": block((t, 0, t), (w - t, t, h - t)) + block((t, d - t, t), (w - t, d, h - t)),
    }


# A coarser start for solids with small features: the graded layers and the order do the work.
COARSE = {"curvaturesafety": 1.0, "segmentsperedge": 0.3, "grading": 0.8}
SMALL = (220.0, 300.0, 400.0)
CASES: dict[str, Case] = {
    "A": Case(text="flat board 400(x) x 250(y) x 22(z)", size=(400, 250, 22), mirrors="xyz", build=_board),
    "B": Case(text="A with a through hole dia 150 at (140, 125)", size=(400, 250, 22), mirrors="yz",
              build=lambda: _board(hole=True), curved=True),
    "D": Case(text="closed box 220 x 300 x 400, six 22 mm boards", size=SMALL, mirrors="xyz", build=closed(SMALL, 22)),
    "F12": Case(text="closed box 220 x 300 x 400, six 12 mm boards", size=SMALL, mirrors="xyz",
                build=closed(SMALL, 12)),
    "F18": Case(text="closed box 220 x 300 x 400, six 18 mm boards", size=SMALL, mirrors="xyz",
                build=closed(SMALL, 18)),
    "F30": Case(text="closed box 220 x 300 x 400, six 30 mm boards", size=SMALL, mirrors="xyz",
                build=closed(SMALL, 30)),
    "G": Case(text="closed box 260 x 340 x 520, front 30 mm, the other five 18 mm (cavity x 18..242, y 30..322, z 18..502)",
              size=(260, 340, 520), mirrors="xz",
              build=lambda: {"board": shell((260, 340, 520), (18, 18, 30, 18, 18, 18))}),
    "E": Case(text="D with a horizontal brace z 219..241 filling the inner section; pocket 110(x) x 160(y), "
                   "corner radius 20, centred at (110, 150)",
              size=SMALL, mirrors="xy", build=_box_e, curved=True, mesh=COARSE),
    "H": Case(text="box 220 x 300 x 900 of 22 mm board; horizontal braces 22 mm thick filling the inner section at mid-planes "
                   "z = 215, 430, 660 with pockets centred at (110, 150): 110(x) x 160(y) r20; 90(x) x 180(y) r20; circle "
                   "dia 120; through holes in the front (x, z): dia 140 at (110, 780), dia 140 at (110, 560), "
                   "dia 70 at (110, 330)",
              size=(220, 300, 900), mirrors="x", build=_box_h, curved=True, mesh=COARSE),
    "T": Case(text="D with a 22 mm partition filling the inner section, mid-plane through (y, z) = (150, 200), turned "
                   "+10 degrees about +x (rises towards the back: z = 200 + (y - 150) tan 10 deg)",
              size=SMALL, mirrors="x", build=_box_t, mesh=COARSE | {"maxh": 80.0}),
    "T2": Case(text="D with two crossing braces filling the inner section: z 189..211 with pocket 100(x) x 150(y) r20 "
                    "centred at (110, 150), and x 99..121 with pocket 150(y) x 240(z) r20 centred at (y, z) = (150, 200); "
                    "the solid is their union",
               size=SMALL, mirrors="xyz", build=_box_t2, curved=True, mesh=COARSE),
    "J": Case(text="D with a bar z 189..211, y 120..180 spanning from left to right wall (x 22..198)", size=SMALL,
              mirrors="xyz",
              build=lambda: {"board": shell(SMALL, (22,) * 6, block((0, 120, 189), (220, 180, 211)))}),
    "O": Case(text="closed box 220 x 300 x 400 of 21 mm orthotropic board; direction 1 along each panel's first "
                   "in-plane axis (x on front/back/top/bottom, y on left/right), 2 along the second, 3 through the thickness. "
                   "Overlaps: top and bottom run full 220 x 300; left and right stand between them at full depth; front and "
                   "back fill what is left",
              size=SMALL, mirrors="xyz", build=_box_o, material=BIRCH, mesh=COARSE),
}  # fmt: skip


def graded_mesh(case: Case, maxh: float, levels: int, curve: int) -> tuple[Any, int]:
    """Mesh of the part left of all mirror planes; returns it with the number of graded edges."""
    pieces = case.build()
    whole = None
    for piece in pieces.values():
        whole = piece if whole is None else whole + piece
    cut = [size / 2 if a in case.mirrors else size + 1.0 for a, size in zip(AXES, case.size, strict=True)]
    corner = block((-1, -1, -1), cut)
    halves = []
    for name, piece in pieces.items():
        half = piece * corner
        half.solids.name = name
        halves.append(half)
    part = halves[0] if len(halves) == 1 else Glue(halves)
    for face in part.faces:
        low, high = face.bounding_box
        for i, a in enumerate(AXES):
            if a in case.mirrors and abs(low[i] - cut[i]) < 1e-4 and abs(high[i] - cut[i]) < 1e-4:
                face.name = f"mirror_{a}"
    graded = 0
    for edge in part.edges:
        start, end = edge.parameter_interval
        ball = Sphere(edge.Value(0.5 * (start + end)), 0.4)
        filled = (whole * ball).mass / ball.mass  # 1/4 outer, 1/2 flat, 3/4 re-entrant, 1 inside
        met = sum((piece * ball).mass / ball.mass > 0.01 for piece in pieces.values())
        if 0.53 < filled < 0.97 or (met > 1 and filled < 0.97) or met > 2:
            edge.hpref = 1
            graded += 1
    mesh = ng.Mesh(OCCGeometry(part).GenerateMesh(**({"maxh": maxh} | case.mesh)))
    if levels:
        mesh.RefineHP(levels, factor=GRADING)
    if case.curved:
        mesh.Curve(curve)
    return mesh, graded


# ---------------------------------------------------------------------------------------------------- material


def stiffness(material: dict[str, float], axes: str = "xyz") -> np.ndarray:
    """6 x 6 stiffness in N/mm2 (order xx yy zz yz xz xy, engineering shear); `axes` names directions 1, 2, 3."""
    m = material
    if "E_GPa" in m:
        e, nu = m["E_GPa"] * 1e3, m["poisson"]
        young, poisson, shear = (e,) * 3, (nu,) * 3, (e / (2 * (1 + nu)),) * 3
    else:
        young = tuple(m[f"E{i}_GPa"] * 1e3 for i in (1, 2, 3))
        poisson = m["poisson12"], m["poisson13"], m["poisson23"]
        shear = tuple(m[f"G{k}_GPa"] * 1e3 for k in ("12", "13", "23"))
    direct = np.diag([1 / e for e in young])
    for (i, j), nu in zip(((0, 1), (0, 2), (1, 2)), poisson, strict=True):
        direct[i, j] = direct[j, i] = -nu / young[i]
    to = [AXES.index(a) for a in axes]
    compliance = np.zeros((6, 6))
    compliance[np.ix_(to, to)] = direct
    for (i, j), g in zip(((0, 1), (0, 2), (1, 2)), shear, strict=True):
        k = 6 - to[i] - to[j]  # yz, xz, xy are 3, 4, 5
        compliance[k, k] = 1 / g
    return np.linalg.inv(compliance)


def assemble(mesh: Any, case: Case, order: int, shift: float) -> tuple[Any, Any, Any]:
    """Space, K + shift M and M, lower halves stored."""
    turned = {"top_bottom": "xyz", "left_right": "yzx", "front_back": "xzy"}
    c = mesh.MaterialCF({
        name: ng.CF(tuple(stiffness(case.material, turned.get(name, "xyz")).ravel()), dims=(6, 6))
        for name in set(mesh.GetMaterials())
    })  # fmt: skip
    rho = case.material["density_kg_m3"] * 1e-12
    fes = ng.VectorH1(mesh, order=order)
    u, v = fes.TnT()

    def strain(w: Any) -> Any:
        g = ng.Grad(w)
        shears = (g[1, 2] + g[2, 1], g[0, 2] + g[2, 0], g[0, 1] + g[1, 0])
        return ng.CF((g[0, 0], g[1, 1], g[2, 2], *shears))

    keep = {"symmetric": True, "symmetric_storage": True}
    mass = ng.BilinearForm(rho * u * v * ng.dx, **keep)
    shifted = ng.BilinearForm(((c * strain(u)) * strain(v) + shift * rho * u * v) * ng.dx, **keep)
    with ng.TaskManager():
        mass.Assemble()
        shifted.Assemble()
    return fes, shifted, mass


# ------------------------------------------------------------------------------------------------------- modes


def class_modes(fes: Any, shifted: Any, mass: Any, parity: tuple[tuple[str, str], ...], count: int,
                shift: float) -> np.ndarray:  # fmt: skip
    """Lowest `count` frequencies in Hz of one combination of symmetric (s) and antisymmetric (a) mirror planes."""
    free = ng.BitArray(fes.FreeDofs())
    scalar = fes.components[0]
    for axis, kind in parity:
        on_plane = np.flatnonzero(np.array(list(scalar.GetDofs(fes.mesh.Boundaries(f"mirror_{axis}"))), dtype=bool))
        for i, a in enumerate(AXES):
            if (kind == "s") == (a == axis):  # symmetric: no normal motion; antisymmetric: no motion in the plane
                for k in on_plane:
                    free.Clear(int(k) + i * scalar.ndof)
    at = np.flatnonzero(np.array(list(free), dtype=bool))
    x, y = shifted.mat.CreateColVector(), shifted.mat.CreateColVector()
    xs, ys = x.FV().NumPy(), y.FV().NumPy()
    with ng.TaskManager():
        inverse = shifted.mat.Inverse(free, "sparsecholesky")

        def apply(matrix: Any, b: np.ndarray) -> np.ndarray:
            xs[:] = 0
            xs[at] = b.ravel()
            y.data = matrix * x
            return ys[at]

        n = len(at)
        m_op = LinearOperator((n, n), matvec=lambda b: apply(mass.mat, b), dtype=float)
        k_inv = LinearOperator((n, n), matvec=lambda b: apply(inverse, b), dtype=float)
        start = k_inv @ (m_op @ np.random.default_rng(0).standard_normal(n))
        # eigsh in shift-invert mode touches only M and (K - sigma M)^-1; its first argument gives the shape.
        values = eigsh(m_op, k=count, M=m_op, sigma=-shift, OPinv=k_inv, tol=1e-7, v0=start, ncv=2 * count + 8,
                       return_eigenvectors=False)  # fmt: skip
    values = np.sort(values)
    return np.sign(values) * np.sqrt(np.abs(values)) / (2 * np.pi)


def run(case: Case, order: int, levels: int, maxh: float, shift_hz: float = 400.0, count: int = 20) -> dict[str, Any]:
    """One discretisation: elastic frequencies of every parity class, all below the same ceiling.

    Raises
    ------
    RuntimeError
        When the six rigid modes are not found.
    """
    began = time.time()
    mesh, graded = graded_mesh(case, maxh, levels, order)
    mass_kg = 2 ** len(case.mirrors) * case.material["density_kg_m3"] * 1e-9 * ng.Integrate(1.0, mesh, order=8)
    shift = (2 * math.pi * shift_hz) ** 2
    fes, shifted, mass = assemble(mesh, case, order, shift)
    combos = list(itertools.product(*[((a, "s"), (a, "a")) for a in case.mirrors]))
    ask = {8: 9, 4: 13, 2: 20}[len(combos)]
    classes: dict[str, list[float]] = {}
    rigid = 0
    ceiling = math.inf
    for parity in combos:
        f = class_modes(fes, shifted, mass, parity, ask, shift)
        rigid += int((f < 5).sum())
        classes["".join(a + kind for a, kind in parity)] = [float(v) for v in f if v >= 5]
        ceiling = min(ceiling, float(f[-1]))
    if rigid != 6:
        msg = f"{rigid} rigid modes instead of 6"
        raise RuntimeError(msg)
    complete = sum(v <= ceiling for f in classes.values() for v in f)
    if complete < count:
        msg = f"only {complete} modes certain below {ceiling:.0f} Hz: ask for more per class"
        raise RuntimeError(msg)
    return {"order": order, "levels": levels, "maxh": maxh, "elements": mesh.ne, "unknowns": fes.ndof,
            "graded_edges": graded, "mass_kg": mass_kg, "seconds": time.time() - began, "classes": classes}  # fmt: skip


def extrapolate(runs: list[dict[str, Any]], count: int = 20) -> dict[str, Any]:
    """First `count` modes from all runs of a case: extrapolated frequency, error and parity."""
    by = {(r["order"], r["levels"]): r["classes"] for r in runs}
    level = min(lv for _, lv in by)
    orders = sorted(p for p, lv in by if lv == level)
    deeper = sorted((p for p, lv in by if lv == level + 1 and (p, level) in by), reverse=True)
    gain = GRADING**EDGE_EXPONENT
    found = []
    for name, best in by[orders[-1], level].items():
        for k, f in enumerate(best):
            steps = [by[p, level][name][k] - by[q, level][name][k] for p, q in itertools.pairwise(orders)]
            ratio = min(max(steps[-1] / steps[-2], 0.2), 0.5) if len(steps) > 1 and steps[-2] > 0 else 0.22
            order_tail = max(steps[-1], 0.0) * ratio / (1 - ratio) if steps else 0.0
            level_tail = 0.0
            if deeper:
                a, b = by[deeper[0], level][name][k], by[deeper[0], level + 1][name][k]
                level_tail = max(a - b, 0.0) / (1 - gain)
            tail = order_tail + level_tail
            found.append((f - tail, max(0.5 * tail, 1e-4 * f), name, f))
    found.sort()
    found = found[:count]
    return {
        "elastic_modes_Hz": [round(v[0], 2) for v in found],
        "error_pm_Hz": [round(v[1], 2) for v in found],
        "parity": [v[2] for v in found],
        "finest_run_Hz": [round(v[3], 3) for v in found],
    }


def summary(case: Case, runs: list[dict[str, Any]]) -> dict[str, Any]:
    """Everything about a case that is worth keeping; `final` once three orders and a second level are in."""
    orders = {r["order"] for r in runs}
    done = len(orders) > 2 and (len({r["levels"] for r in runs}) > 1 or not any(r["graded_edges"] for r in runs))
    return {"geometry": case.text, "size": case.size, "material": case.material,
            "solid_mass_kg": round(runs[-1]["mass_kg"], 5), "final": done, "finest_order": max(orders),
            **extrapolate(runs), "runs": runs}  # fmt: skip


def write_json(path: Path, data: Any) -> None:
    """Replace `path` in one step."""
    scratch = path.with_name(path.name + ".part")
    scratch.write_text(json.dumps(data, indent=1) + "\n", encoding="utf-8")
    os.replace(scratch, path)


def main() -> None:
    """Command line."""
    parser = argparse.ArgumentParser(description="solid reference frequencies of thick-board boxes, free in space")
    parser.add_argument("cases", nargs="*", help="case names")
    parser.add_argument("--list", action="store_true", help="print the cases and stop")
    parser.add_argument("--orders", type=int, nargs="+", default=[3, 4, 5])
    parser.add_argument("--levels", type=int, default=2, help="graded layers at re-entrant edges")
    parser.add_argument("--deeper", type=int, default=4, help="order at which one more level is run; 0: none")
    parser.add_argument("--maxh", type=float, default=60.0, help="element size away from edges, mm")
    parser.add_argument("--out", type=Path, help="JSON file, brought up to date after every run")
    args = parser.parse_args()
    if args.list or not args.cases:
        for name, case in CASES.items():
            print(f"{name:4s}{case.text}")
        return
    data: dict[str, Any] = json.loads(args.out.read_text()) if args.out and args.out.exists() else {}
    data = {name: summary(CASES[name], entry["runs"]) for name, entry in data.items()}
    plan = [(p, args.levels) for p in args.orders]
    if args.deeper:
        plan.insert(-1, (args.deeper, args.levels + 1))
    for name in args.cases:
        case = CASES[name]
        known = {(r["order"], r["levels"]): r for r in data.get(name, {}).get("runs", []) if r["maxh"] == args.maxh}
        runs: list[dict[str, Any]] = []
        for order, levels in plan:
            runs.append(known.get((order, levels)) or run(case, order, levels, args.maxh))
            entry = summary(case, runs)
            runs_short = {
                k: runs[-1][k] for k in ("order", "levels", "elements", "unknowns", "graded_edges", "seconds")
            }
            print(name, runs_short, f"{runs[-1]['mass_kg']:.5f} kg", entry["elastic_modes_Hz"], flush=True)
            if args.out:
                data[name] = entry
                write_json(args.out, data)


if __name__ == "__main__":
    main()
