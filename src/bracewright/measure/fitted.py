"""What came of a fit: the corrected design, how far it can be believed, and its files."""

from __future__ import annotations

import json
import os
from collections.abc import Mapping
from dataclasses import dataclass, field
from pathlib import Path

import numpy as np
from numpy.typing import NDArray

from bracewright.design.cabinet import Cabinet
from bracewright.design.designfile import dumps
from bracewright.files import make_folder, write_file
from bracewright.measure.pair import Pairing
from bracewright.measure.parameters import Parameter
from bracewright.measure.records import Place

Array = NDArray[np.float64]
ALIKE = 0.9  # correlation from which two parameters are told only together
POOR = 3.0  # root mean square of residuals from which a fit is not to be trusted


@dataclass(frozen=True, kw_only=True, eq=False)
class FitResult:
    """A corrected design and how far it can be believed.

    Attributes
    ----------
    cabinet : Cabinet
        With the fitted board and joint values.
    parameters : tuple of Parameter
    factor : (n,) array
        Fitted value over the old one.
    spread : (n,) array
        Standard deviation of the factor's logarithm, after measuring.
    correlation : (n, n) array
    told : tuple of bool
        Whether the data narrowed the parameter.
    values : tuple of (old, new, unit)
    before, after : Pairing
    misfit : float
        Root mean square of the residuals over their standard deviations; about 1 when all is well.
    loss_factor : mapping of key to (value, standard deviation)
        ``boards.NAME.loss_factor`` and ``joints.loss_factor``, where the data tell them.
    suspect : tuple of Place
        Places left out because their motion fits no mode.
    """

    cabinet: Cabinet
    parameters: tuple[Parameter, ...]
    factor: Array
    spread: Array
    correlation: Array
    told: tuple[bool, ...]
    values: tuple[tuple[float, float, str], ...]
    before: Pairing
    after: Pairing
    misfit: float
    loss_factor: Mapping[str, tuple[float, float]] = field(default_factory=dict)
    suspect: tuple[Place, ...] = ()

    @property
    def alike(self) -> tuple[tuple[str, str, float], ...]:
        """Pairs of parameters that the data tell only together, with their correlation."""
        n = len(self.parameters)
        return tuple(
            (self.parameters[i].key, self.parameters[j].key, float(self.correlation[i, j]))
            for i in range(n)
            for j in range(i)
            if abs(self.correlation[i, j]) > ALIKE
        )

    def text(self) -> str:
        """Return the result as text."""
        wide = max(len(p.key) for p in self.parameters)
        lines = [f"{'':{wide}}        old        new  +- (one standard deviation)"]
        for p, s, told, (old, new, unit) in zip(self.parameters, self.spread, self.told, self.values, strict=True):
            note = "" if told else "  not told by these data"
            lines.append(f"{p.key:{wide}} {old:10.4g} {new:10.4g}  {100 * s:5.1f} % {unit}{note}")
        lines += [f"{key}: {value:.4f} +- {sd:.4f}" for key, (value, sd) in self.loss_factor.items()]
        lines += [f"{a} and {b} are told only together (correlation {c:+.2f})" for a, b, c in self.alike]
        lines += [f"left out, fits no mode: {p.part} {p.at}; check where it was" for p in self.suspect]
        poor = "; THE FIT IS POOR: check places, pairs and what was fitted" if self.misfit > POOR else ""
        lines.append(f"residuals are {self.misfit:.2f} of what was expected{poor}")
        return "\n".join([*lines, "", self.after.text()])

    def to_table(self) -> dict[str, object]:
        """Return plain numbers for a file."""
        rows = zip(self.parameters, self.spread, self.told, self.values, strict=True)
        return {
            "parameters": [
                {
                    "key": p.key,
                    "old": old,
                    "new": new,
                    "unit": unit,
                    "relative_sd": float(s),
                    "prior_relative_sd": p.spread,
                    "told": told,
                }
                for p, s, told, (old, new, unit) in rows
            ],
            "correlation": self.correlation.round(4).tolist(),
            "loss_factor": {k: {"value": v, "sd": s} for k, (v, s) in self.loss_factor.items()},
            "misfit": self.misfit,
            "pairs": [
                {"computed": c + 1, "computed_Hz": float(self.after.computed_Hz[c]),
                 "measured_Hz": float(self.after.measured_Hz[m]), "mac": float(self.after.mac[c, m])}
                for c, m in self.after.pairs
            ],
            "missing": [k + 1 for k in self.after.missing],
            "unseen": [k + 1 for k in self.after.unseen],
            "extra_Hz": [float(self.after.measured_Hz[k]) for k in self.after.extra],
        }  # fmt: skip

    def files(self) -> dict[str, str]:
        """Return the content of ``fitted.toml`` (the design, the spreads in its comments) and of ``fit.json``."""
        head = "".join(f"# {line}\n" if line else "#\n" for line in self.text().rstrip().splitlines())
        return {
            "fitted.toml": f"# Fitted to taps; spreads are one standard deviation.\n{head}\n{dumps(self.cabinet)}",
            "fit.json": json.dumps(self.to_table(), indent=2, allow_nan=False) + "\n",
        }

    def save(self, folder: str | os.PathLike[str]) -> tuple[Path, ...]:
        """Write these files, over earlier ones; return their names. Raises FileError."""
        root = make_folder(folder)
        content = self.files()
        for name, text in content.items():
            write_file(root / name, text)
        return tuple(root / name for name in content)
