"""A driven box as a three-dimensional solid, and the sound it radiates.

The numbers in ``data/solid_sound.json`` were made with this script. It is not a test and the library never imports it;
it needs the library and one more package (``pip install ngsolve``).

    python solid_sound.py                     # all cases to data/solid_sound.json
    python solid_sound.py S12 --order 2       # print one case

Method. The solid is built exactly, halved at its mirror plane in x and meshed with tetrahedra graded towards every
re-entrant edge (see ``solid_reference.py``). The driver is a mass spread evenly over the hole's wall, and a force of
1 N along +y acts there, spread alike. The answer is sought in the symmetric modes up to several times the highest
frequency and three static corrections; with one hysteretic loss factor everywhere K becomes K (1 + j eta).

The pressure is what the library's own boundary elements make of the solid's surface velocity, the hole closed by a
disc that moves as its wall's mean: it checks the way from wood to walls. ``--dipole`` prints the pressure beside a
rigid box that moves along y, by NGSolve's own Galerkin boundary elements, which checks those of the library.

Lengths in mm, mass in tonnes, stress in N/mm2 inside; results in SI.
"""

from __future__ import annotations

import argparse
import json
import math
import time
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import ngsolve as ng
import numpy as np
from netgen.occ import Cylinder, OCCGeometry, Pnt, Y
from scipy.linalg import eigh
from scipy.sparse.linalg import LinearOperator, eigsh
from scipy.spatial import cKDTree
from solid_reference import Case, block, graded_mesh, rounded, shell, stiffness, write_json

from bracewright.sound.medium import DENSITY, SPEED
from bracewright.sound.radiate import outside

FACES = ("front", "back", "left", "right", "bottom", "top")
LOSS = 0.02
BAND = np.geomspace(100.0, 1500.0, 48)
HOLE, SIZE = 120.0, (220, 300, 400)


@dataclass(frozen=True, slots=True, kw_only=True)
class Driven:
    """A box, its wall, where its driver sits (z of the hole's centre) and the driver's mass."""

    text: str
    wall: float
    at: float
    mass_kg: float
    brace: float | None = None

    def case(self) -> Case:
        """Return the solid with its outer faces and its hole named."""

        def build() -> dict[str, Any]:
            t = self.wall
            keep = None
            if self.brace is not None:
                keep = block((0, 0, self.brace - t / 2), (220, 300, self.brace + t / 2))
                keep = keep - rounded("z", self.brace, (110, 150), (110, 160), 20, t + 8)
            body = shell(SIZE, (t,) * 6, keep, Cylinder(Pnt(110, -1, self.at), Y, r=HOLE / 2, h=t + 2))
            for face in body.faces:
                low, high = face.bounding_box
                for i, (lower, upper) in enumerate((("left", "right"), ("front", "back"), ("bottom", "top"))):
                    for name, where in ((lower, 0.0), (upper, SIZE[i])):
                        if abs(low[i] - where) < 1e-3 and abs(high[i] - where) < 1e-3:
                            face.name = name
                if low[1] < 1 and high[1] < t + 1 and high[1] - low[1] > t / 2 and high[0] - low[0] < HOLE + 1:
                    face.name = "hole"
            return {"board": body}

        return Case(text=self.text, size=SIZE, mirrors="x", build=build, curved=True, mesh={"grading": 0.5})


CASES = {
    "S22": Driven(text="box 220 x 300 x 400 of 22 mm board; hole dia 120 in the front at (x, z) = (110, 250); 1.9 kg",
                  wall=22, at=250, mass_kg=1.9),
    "S12": Driven(text="the same of 12 mm board, 1.2 kg", wall=12, at=250, mass_kg=1.2),
    "B18": Driven(text="the same of 18 mm board, hole at (110, 280), 1.5 kg, and a horizontal brace of 18 mm filling "
                       "the inner section at z = 170 with a pocket 110(x) x 160(y) r20 centred at (110, 150)",
                  wall=18, at=280, mass_kg=1.5, brace=170),
}  # fmt: skip


def shapes(driven: Driven, order: int, levels: int, maxh: float) -> dict[str, Any]:
    """K + shift M and M with the ring, and the rows of the hole's and the faces' motion."""
    case = driven.case()
    mesh, _ = graded_mesh(case, maxh, levels, order)
    shift = (2 * math.pi * 300.0) ** 2
    fes = ng.VectorH1(mesh, order=order)
    u, v = fes.TnT()
    hole_area = ng.Integrate(1.0, mesh.Boundaries("hole"))
    exact = math.pi * HOLE * driven.wall / 2
    if abs(hole_area / exact - 1) > 1e-3:
        raise RuntimeError(f"the hole's wall is {hole_area:.1f} mm2, not {exact:.1f}")
    ring = driven.mass_kg * 1e-3 / 2 / hole_area
    rho = case.material["density_kg_m3"] * 1e-12
    c = ng.CF(tuple(stiffness(case.material).ravel()), dims=(6, 6))

    def strain(w: Any) -> Any:
        g = ng.Grad(w)
        return ng.CF((g[0, 0], g[1, 1], g[2, 2], g[1, 2] + g[2, 1], g[0, 2] + g[2, 0], g[0, 1] + g[1, 0]))

    keep = {"symmetric": True, "symmetric_storage": True}
    mass, shifted = ng.BilinearForm(fes, **keep), ng.BilinearForm(fes, **keep)
    mass += rho * u * v * ng.dx + ring * u.Trace() * v.Trace() * ng.ds("hole")
    shifted += ((c * strain(u)) * strain(v) + shift * rho * u * v) * ng.dx
    shifted += shift * ring * u.Trace() * v.Trace() * ng.ds("hole")
    load = ng.LinearForm(fes)
    load += v[1] / hole_area / 2 * ng.ds("hole")  # half of 1 N on half of the box; also the mean of the hole over 2
    faces = {}
    outward = ng.specialcf.normal(3)
    with ng.TaskManager():
        mass.Assemble()
        shifted.Assemble()
        load.Assemble()
        for name in FACES:
            form = ng.LinearForm(fes)
            form += (v.Trace() * outward) * ng.ds(name)
            form.Assemble()
            faces[name] = form.vec.FV().NumPy().copy()
    return {"mesh": mesh, "fes": fes, "shifted": shifted, "mass": mass, "load": load.vec.FV().NumPy().copy(),
            "faces": faces, "shift": shift}  # fmt: skip


def reduced(
    parts: dict[str, Any], driven: Driven, count: int, points: np.ndarray, normals: np.ndarray
) -> dict[str, Any]:
    """Solve for the symmetric modes and corrections, and gather everything in that basis."""
    mesh, fes, shift = parts["mesh"], parts["fes"], parts["shift"]
    free = ng.BitArray(fes.FreeDofs())
    scalar = fes.components[0]
    for k in np.flatnonzero(np.array(list(scalar.GetDofs(mesh.Boundaries("mirror_x"))), dtype=bool)):
        free.Clear(int(k))
    at = np.flatnonzero(np.array(list(free), dtype=bool))
    x, y = parts["shifted"].mat.CreateColVector(), parts["shifted"].mat.CreateColVector()
    xs, ys = x.FV().NumPy(), y.FV().NumPy()
    with ng.TaskManager():
        inverse = parts["shifted"].mat.Inverse(free, "sparsecholesky")

        def apply(matrix: Any, b: np.ndarray) -> np.ndarray:
            xs[:] = 0
            xs[at] = b.ravel()
            y.data = matrix * x
            return ys[at].copy()

        n = len(at)
        m_op = LinearOperator((n, n), matvec=lambda b: apply(parts["mass"].mat, b), dtype=float)
        k_inv = LinearOperator((n, n), matvec=lambda b: apply(inverse, b), dtype=float)
        start = k_inv @ (m_op @ np.random.default_rng(0).standard_normal(n))
        value, phi = eigsh(m_op, k=count, M=m_op, sigma=-shift, OPinv=k_inv, tol=1e-8, v0=start)
        f = parts["load"][at]
        extra, now = [], f
        for _ in range(3):
            now = k_inv @ now
            extra.append(now / np.sqrt(now @ (m_op @ now)))
            now = m_op @ now
        basis = np.column_stack([phi, *extra])
        mass = np.column_stack([m_op @ b for b in basis.T])
        stiff = np.column_stack([apply(parts["shifted"].mat, b) for b in basis.T])
    gram = basis.T @ mass
    lam, turn = np.linalg.eigh(gram)
    turn = turn[:, lam > 1e-10 * lam[-1]] / np.sqrt(lam[lam > 1e-10 * lam[-1]])
    k = turn.T @ (basis.T @ stiff) @ turn
    own, z = eigh((k + k.T) / 2)
    basis = basis @ turn @ z
    g = ng.GridFunction(fes)
    full = g.vec.FV().NumPy()
    # Points over the hole are no part of the solid; elsewhere a hair below the surface.
    in_hole = (points[:, 1] < 1e-6) & (np.hypot(points[:, 0] - 110, points[:, 2] - driven.at) < HOLE / 2)
    inner = points[~in_hole] - 0.02 * normals[~in_hole]
    sign = np.where(inner[:, 0] > SIZE[0] / 2, [[-1.0], [1.0], [1.0]], 1.0).T  # the other half mirrors this one
    inner[:, 0] = np.minimum(inner[:, 0], SIZE[0] - inner[:, 0])
    inner[:, 0] = np.minimum(inner[:, 0], SIZE[0] / 2 - 0.02)
    where = mesh(*inner.T)
    # A point between elements, on a side or at the round hole, takes the nearest point's motion.
    found, solid = where["nr"] >= 0, np.flatnonzero(~in_hole)
    if (~found).sum() > 0.01 * len(solid):
        raise RuntimeError(f"{(~found).sum()} of {len(solid)} points on the surface are in no element")
    nearest = cKDTree(points[solid[found]] + 300 * normals[solid[found]])
    stand_in = nearest.query(points[solid[~found]] + 300 * normals[solid[~found]])[1]
    sign, where = sign[found], where[found]
    motion = np.zeros((len(points), basis.shape[1]))
    hole = 2 * parts["load"][at] @ basis
    for c in range(basis.shape[1]):
        full[:] = 0
        full[at] = basis[:, c]
        motion[solid[found], c] = np.einsum("pa,pa->p", g(where).reshape(-1, 3) * sign, normals[solid[found]])
    motion[solid[~found]] = motion[solid[found]][stand_in]
    motion[in_hole] = -hole
    # The left face is whole in the half that is solved.
    rows = {name: (1 if name == "left" else 2) * v[at] @ basis for name, v in parts["faces"].items()}
    rows["front"] = rows["front"] - hole * math.pi * HOLE**2 / 4
    rows["right"] = rows["left"]
    return {"lam": own - shift, "hole": hole, "faces": rows, "motion": motion,
            "unknowns": fes.ndof, "elements": mesh.ne, "highest_mode_Hz": float(np.sqrt(value.max()) / 2 / np.pi),
            "first_Hz": (np.sqrt(np.sort(value[value > 1e3])[:12]) / 2 / np.pi).tolist()}  # fmt: skip


def dipole(frequency: float, maxh: float = 0.04) -> complex:
    """Pressure 1 m in front of (110, 250) when the rigid box moves along y at 1 m/s, time as exp(+j w t)."""
    from netgen.meshing import MeshingStep
    from ngsolve import bem

    k = 2 * np.pi * frequency / SPEED
    box = OCCGeometry(block((0, 0, 0), [v / 1e3 for v in SIZE]))
    mesh = ng.Mesh(box.GenerateMesh(maxh=maxh, perfstepsend=MeshingStep.MESHSURFACE))
    h1, l2 = ng.H1(mesh, order=2, complex=True), ng.SurfaceL2(mesh, order=0, complex=True)
    u, w, a = h1.TrialFunction(), h1.TestFunction(), l2.TrialFunction()
    n, ds = ng.specialcf.normal(3), ng.ds(bonus_intorder=4)
    slope = ng.GridFunction(l2)  # in the library's kernel waves go out as exp(+j k r): all is conjugate
    slope.Set(1j * k * SPEED * DENSITY * n[1], definedon=mesh.Boundaries(".*"))
    half = ng.BilinearForm(0.5 * u * w * ng.ds, check_unused=False).Assemble().mat
    double, single = bem.HelmholtzDL(u * ds, k) * w * ds, bem.HelmholtzSL(a * ds, k) * w * ds
    p = ng.GridFunction(h1)
    p.vec.data = ng.solvers.GMRes(A=half - double.mat, b=(-1 * (single.mat * slope.vec)).Evaluate(),
                                  pre=half.Inverse(h1.FreeDofs()), maxsteps=200, tol=1e-6,
                                  printrates=False)  # fmt: skip
    d = ng.CF((ng.x - 0.11, ng.y + 1.0, ng.z - 0.25))
    r = ng.sqrt(d * d)
    g = ng.exp(1j * k * r) / (4 * np.pi * r)
    return complex(np.conj(ng.Integrate((d * n / r * (-1 / r + 1j * k) * g * p - g * slope) * ds, mesh)))


def answer(driven: Driven, order: int, levels: int, maxh: float, count: int) -> dict[str, Any]:
    """All numbers of one case."""
    began = time.time()
    operator = outside(SIZE, 1700.0, panel=30.0, cache=False)
    at, share = operator.surface.samples
    normals = np.repeat(operator.surface.panels.all_outward, share.shape[1], axis=0)
    r = reduced(shapes(driven, order, levels, maxh), driven, count, at.reshape(-1, 3) * 1e3, normals)
    panels = np.einsum("pq,pqc->pc", share, r["motion"].reshape(*share.shape, -1)) * 1e-3
    listen = np.array([[0.110, -1.0, driven.at / 1e3]])
    force = r["hole"] / 2  # half of 1 N on the half

    def motion(f: float) -> np.ndarray:
        return 2j * np.pi * f * force / (r["lam"] * (1 + 1j * LOSS) - (2 * np.pi * f) ** 2)

    out: dict[str, Any] = {"text": driven.text, "wall": driven.wall, "hole_at": driven.at, "mass_kg": driven.mass_kg,
                           "brace": driven.brace, "loss_factor": LOSS, "order": order, "levels": levels, "maxh": maxh,
                           **{k: r[k] for k in ("unknowns", "elements", "highest_mode_Hz", "first_Hz")}}  # fmt: skip
    # In mm and tonnes a force of 1 N gives mm/s.
    q = np.stack([motion(f) for f in BAND])
    mobility = q @ r["hole"] * 1e-3
    volume = {name: q @ row * 1e-9 for name, row in r["faces"].items()}
    p = np.array([(operator.at(f).transfer(listen) @ (panels @ q[k]))[0] for k, f in enumerate(BAND)])
    out |= {
        "frequency_Hz": BAND.tolist(),
        "mobility": _pairs(mobility),
        "volume_m3_s": {name: _pairs(v) for name, v in volume.items()},
        "pressure_Pa": _pairs(p),
        "point": [110.0, -1000.0, driven.at],
        "seconds": time.time() - began,
    }
    return out


def _pairs(z: np.ndarray) -> list[list[float]]:
    return [[float(f"{v.real:.6g}"), float(f"{v.imag:.6g}")] for v in z]


def main() -> None:
    """Command line."""
    parser = argparse.ArgumentParser(description="driven boxes as solids, with the sound they radiate")
    parser.add_argument("cases", nargs="*", default=list(CASES))
    parser.add_argument("--order", type=int, default=5)
    parser.add_argument("--levels", type=int, default=1)
    parser.add_argument("--maxh", type=float, default=60.0)
    parser.add_argument("--count", type=int, default=90, help="symmetric modes")
    parser.add_argument("--out", type=Path)
    parser.add_argument("--dipole", type=float, nargs="+", help="frequencies, Hz")
    args = parser.parse_args()
    for f in args.dipole or ():
        print(f, dipole(f), flush=True)
    if args.dipole:
        return
    data: dict[str, Any] = json.loads(args.out.read_text()) if args.out and args.out.exists() else {}
    for name in args.cases:
        data[name] = answer(CASES[name], args.order, args.levels, args.maxh, args.count)
        short = {k: v for k, v in data[name].items() if not isinstance(v, (list, dict))}
        print(name, short, [round(f, 1) for f in data[name]["first_Hz"]], flush=True)
        if args.out:
            write_json(args.out, data)


if __name__ == "__main__":
    main()
