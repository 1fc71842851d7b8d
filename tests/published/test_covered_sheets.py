"""A damping sheet under a cover, on a simply supported plate.

Sources: D. Ross, E. E. Ungar, E. M. Kerwin, "Damping of plate flexural vibrations by means of viscoelastic laminae",
in Structural Damping (ASME, 1959); D. J. Mead, S. Markus, J. Sound Vib. 10 (1969) 163. Formulas from memory:
D = (D1 + D3) (1 + g Y / (1 + g)), g = G (1 / B1 + 1 / B3) / (t k^2), Y = d^2 B1 B3 / (B1 + B3) / (D1 + D3), with
B the stretching and D the bending stiffness of base (1) and cover (3), t the sheet's thickness and d the distance of
their middles. Strain energy gives the loss of a lightly damped one: d ln D / d ln G.
"""

from __future__ import annotations

import numpy as np
import pytest
import shapely
from plates import BX, BY, U, V, W, grid, isotropic, of_mesh
from scipy.sparse.linalg import LinearOperator, eigsh

from bracewright.design.mounted import Damping
from bracewright.fem.factor import factor
from bracewright.fem.parts import FlatPart
from bracewright.fem.sheets import SheetForms

A, B = 600.0, 400.0  # mm
BASE, CORE, COVER = 3.0, 0.5, 1.0  # mm
BASE_GPA, COVER_GPA, POISSON = 10.0, 70.0, 0.3
ORDERS = ((1, 1), (2, 1), (1, 2), (3, 1))


def solver(a) -> LinearOperator:
    return LinearOperator(a.shape, matvec=factor(a).solve, dtype=float)


def supported(mesh) -> np.ndarray:
    """Unknowns that vanish with sines across: w, and turning and shift along each edge, the cover's too."""
    x, y = mesh.points.T
    fixed = np.zeros((len(x), 7), dtype=bool)
    for at, far, along, turn, cover in ((x, A, V, BY, 6), (y, B, U, BX, 5)):
        on = np.minimum(at, far / 1e3 - at) < 1e-9
        fixed[np.ix_(on, [W, along, turn, cover])] = True
    return np.concatenate([fixed[:, :5].ravel(), fixed[:, 5:].ravel()])


@pytest.mark.parametrize("side", [1.0, -1.0])
@pytest.mark.parametrize("G_MPa", [0.03, 0.3, 3.0, 30.0])
def test_stiffness_and_loss_of_a_covered_sheet(G_MPa, side):
    mesh = grid(A, B, 36, 24)
    base = isotropic(BASE, POISSON, BASE_GPA, 700.0)
    plate = of_mesh(mesh, base)
    part = FlatPart("left", np.eye(3), np.zeros(3), mesh, base, shapely.box(0, 0, A, B))
    # A sheet of Poisson's ratio 0 has E = 2 G; its own stretch is small beside the cover's.
    sheet = Damping(
        part="left", thickness=CORE, E_GPa=2e-3 * G_MPa, density_kg_m3=1200, loss_factor=1.0, poisson=0.0,
        cover_thickness=COVER, cover_E_GPa=COVER_GPA, cover_density_kg_m3=2700,
    )  # fmt: skip
    forms = SheetForms(part, sheet, side)
    core, cover, mass = forms.stiffness(), forms.cover(), forms.mass()
    for bare, whole in ((plate.K, cover), (plate.M, mass)):
        bare.resize(whole.shape)
    free = np.flatnonzero(~supported(mesh))
    stiff, heavy = ((a + b)[free][:, free] for a, b in ((plate.K, core + cover), (plate.M, mass)))
    lam, shapes = eigsh(stiff, k=12, M=heavy, sigma=0.0, OPinv=solver(stiff), v0=np.ones(len(free)))
    found, loss = np.sqrt(lam), np.einsum("nm,nm->m", shapes, core[free][:, free] @ shapes) / lam
    t, h1, h3 = CORE / 1e3, BASE / 1e3, COVER / 1e3
    e1, e3 = (e * 1e9 / (1 - POISSON**2) for e in (BASE_GPA, COVER_GPA))
    b1, b3, own = e1 * h1, e3 * h3, (e1 * h1**3 + e3 * h3**3) / 12
    d = h1 / 2 + t + h3 / 2
    y = d**2 * b1 * b3 / (b1 + b3) / own
    surface = 700 * h1 + 1200 * t + 2700 * h3
    for m, n in ORDERS:
        k2 = (m * np.pi / (A / 1e3)) ** 2 + (n * np.pi / (B / 1e3)) ** 2
        g = G_MPa * 1e6 * (1 / b1 + 1 / b3) / (t * k2)
        wanted = k2 * np.sqrt(own * (1 + g * y / (1 + g)) / surface)
        nearest = int(np.abs(found - wanted).argmin())
        assert found[nearest] == pytest.approx(wanted, rel=2e-3)
        assert loss[nearest] == pytest.approx(g * y / (1 + g) / (1 + g + g * y), rel=0.01)
