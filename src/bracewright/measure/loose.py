"""Which joint is loose: the one whose weakening, in the model, moves the modes as the taps say they moved."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from scipy.optimize import linear_sum_assignment

from bracewright.design.cabinet import Cabinet
from bracewright.errors import DesignError, SolveError
from bracewright.measure.identify import MeasuredModes
from bracewright.measure.pair import FEW, mac, pair
from bracewright.measure.parameters import Parameter, brace_joints
from bracewright.measure.predict import Prediction, ReducedModel
from bracewright.measure.records import Place

Array = NDArray[np.float64]
LOOSE = 0.02  # of its stiffness a loose joint may keep, at least
LEVELS = 13  # between that and whole
FREQUENCY_ERROR = 0.002  # relative, from one tap test to the next. Judgement.
SHAPE_ERROR = 0.1  # of a shape's root mean square. Judgement.
WORST = 25.0  # beside the noise expected, what one mode may count against a joint: a stray mode must not decide
CLEAR = 10.0  # how much better than "none" a joint must explain the shifts to be named


@dataclass(frozen=True, kw_only=True)
class Suspect:
    """A joint, how much of its stiffness seems left, and the misfit that remains if it is the culprit."""

    joint: str
    kept: float
    misfit: float


@dataclass(frozen=True, kw_only=True)
class JointVerdict:
    """Joints by how well their loosening explains a change.

    Attributes
    ----------
    suspects : tuple of Suspect
        The likeliest first.
    misfit_none : float
        Misfit if nothing has come loose.
    probability : tuple of float
        Of each suspect, all taken as equally likely before and just one of them loose.
    """

    suspects: tuple[Suspect, ...]
    misfit_none: float
    probability: tuple[float, ...]

    @property
    def loose(self) -> str | None:
        """The joint named, or None where no joint explains the change clearly better than chance."""
        best = self.suspects[0]
        return best.joint if self.misfit_none - best.misfit > CLEAR else None

    def to_table(self) -> dict[str, object]:
        """Return plain numbers."""
        rows = zip(self.suspects, self.probability, strict=True)
        return {
            "loose": self.loose,
            "misfit_none": self.misfit_none,
            "suspects": [{"joint": s.joint, "probability": p, "kept": s.kept, "misfit": s.misfit} for s, p in rows],
        }

    def text(self) -> str:
        """Return the verdict in words."""
        if self.loose is None:
            return "no joint stands out: the change is within what two tap tests differ by\n"
        lines = ["likeliest loose or dry, if one joint is:"]
        for s, p in list(zip(self.suspects, self.probability, strict=True))[:4]:
            lines.append(f"  {s.joint:24} {100 * p:5.1f} %, about {100 * s.kept:.0f} % of its stiffness left")
        return "\n".join(lines) + "\n"


def joint_model(
    cabinet: Cabinet,
    places: Sequence[Place],
    *,
    joints: Sequence[str] | None = None,
    count: int = 16,
    size: float = 80.0,
) -> ReducedModel:
    """Sample what loosening each joint does; keep it for all cabinets of a design.

    Parameters
    ----------
    cabinet : Cabinet
        With joints that have a stiffness: fitted ones, glued or dry.
    places : sequence of Place
        Where shapes are measured.
    joints : sequence of str, optional
        Keys such as ``joints.shelf-left``; all joints of braces unless given.
    count : int
        Modes.
    size : float
        Element side, mm.
    """
    keys = tuple(brace_joints(cabinet) if joints is None else joints)
    if not keys:
        raise DesignError("the cabinet has no brace, so no joint of one can be loose", key="braces")
    parameters = [Parameter(key=k, spread=1.0, low=LOOSE, high=1.0) for k in keys]
    return ReducedModel(cabinet, parameters, places, count=count, size=size)


def loose_joint(
    model: ReducedModel,
    reference: MeasuredModes,
    new: MeasuredModes,
    *,
    frequency_error: float = FREQUENCY_ERROR,
    shape_error: float = SHAPE_ERROR,
) -> JointVerdict:
    """Name the joint whose loosening best explains how modes differ from the reference.

    Parameters
    ----------
    model : ReducedModel
        Of `joint_model`.
    reference, new : MeasuredModes
        At the same places in the same order.

    Raises
    ------
    DesignError
        The places differ.
    SolveError
        Too few modes of the reference are in the model.
    """
    if reference.places != new.places or (new.places and new.places != model.places):
        raise DesignError("the two tap tests and the model need the same places in the same order", key="places")
    sound = model(np.zeros(len(model.parameters)))
    known = pair(sound.modes, sound.at if len(sound.at) else None, reference)
    if len(known.pairs) < 3:
        raise SolveError("fewer than three modes of the reference are in the model; fit the model first")
    score = _Score(model, sound, reference, new, known.pairs, frequency_error, shape_error)
    none = score(np.zeros(len(model.parameters)))
    found = []
    for i, p in enumerate(model.parameters):
        levels = np.linspace(np.log(LOOSE), 0.0, LEVELS)[:-1]
        misfits = [score(np.where(np.arange(len(model.parameters)) == i, v, 0.0)) for v in levels]
        best = int(np.argmin(misfits))
        found.append(
            Suspect(joint=p.key.removeprefix("joints."), kept=float(np.exp(levels[best])), misfit=misfits[best])
        )
    found.sort(key=lambda s: s.misfit)
    weight = np.exp(-0.5 * (np.array([s.misfit for s in found]) - found[0].misfit))
    return JointVerdict(
        suspects=tuple(found),
        misfit_none=none,
        probability=tuple(float(w) for w in weight / weight.sum()),
    )


class _Score:
    """Misfit of the new modes to the reference's, moved as the model moves."""

    def __init__(
        self,
        model: ReducedModel,
        sound: Prediction,
        reference: MeasuredModes,
        new: MeasuredModes,
        pairs: Sequence[tuple[int, int]],
        frequency_error: float,
        shape_error: float,
    ) -> None:
        self.model, self.sound, self.new = model, sound, new
        self.c, self.m = (np.array(k, int) for k in zip(*pairs, strict=True))
        self.f = reference.frequency_Hz[self.m]
        self.error = frequency_error
        self.by_shape = len(new.places) >= FEW
        self.worst = WORST + (len(new.places) if self.by_shape else 0)
        self.mass = model.matrices(np.zeros(len(model.parameters)))[1] @ sound.modes.shapes
        if self.by_shape:
            # Scale what was measured to the model's shapes, so that differences can be added.
            at, s = sound.at[:, self.c], reference.shapes[:, self.m]
            self.s = s * ((at * s).sum(0) / (s**2).sum(0))
            self.weight = len(new.places) / shape_error**2

    def __call__(self, x: Array) -> float:
        """Misfit at logarithms of the joints' factors."""
        lam, y = self.model.eigenpairs(x)
        overlap = self.mass.T @ y
        rows, cols = linear_sum_assignment(-(overlap**2))
        to = cols[np.argsort(rows)][self.c]
        f = self.f * np.sqrt(lam[to]) / (2 * np.pi * self.sound.frequency_Hz[self.c])
        cost = (np.log(self.new.frequency_Hz[None] / f[:, None]) / self.error) ** 2
        if self.by_shape:
            sign = np.sign(overlap[self.c, to])
            moved = self.s + (self.model.rows @ y[:, to]) * sign - self.sound.at[:, self.c]
            cost = cost + self.weight * (1 - mac(moved, self.new.shapes))
        cost = np.minimum(cost, self.worst)
        r, k = linear_sum_assignment(cost)
        return float(cost[r, k].sum() + self.worst * (len(f) - len(r)))
