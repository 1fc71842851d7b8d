"""What a search found, as a record, a table and a text."""

from __future__ import annotations

from dataclasses import dataclass

from bracewright.design.cabinet import Cabinet
from bracewright.tune.goals import Numbers

WORDS = {
    "first_Hz": "lowest mode, Hz",
    "raise_Hz": "lowest modes, smoothed, Hz",
    "spread": "share of modes that stand apart",
    "closest_pair": "closest two modes, part of their frequency",
    "mean_dB": "walls beside drivers, mean, dB",
    "loudest_dB": "walls beside drivers, loudest, dB",
    "mobility_dB": "mobility at the drivers, dB of 1 m/(N s)",
}


@dataclass(frozen=True, slots=True, kw_only=True)
class Trial:
    """One design that was looked at.

    Parameters
    ----------
    number : int
        From 1, the start.
    score : float or None
        As `Goal.score`; None where the design could not be solved.
    best : float
        The best score up to here.
    reason : str
        Why it could not be solved.
    """

    number: int
    score: float | None
    best: float
    reason: str = ""


@dataclass(frozen=True, kw_only=True)
class SearchResult:
    """What a search found.

    Attributes
    ----------
    cabinet : Cabinet
        The best design; it keeps every limit.
    before, after : dict
        Numbers of the start and of `cabinet`, as `Goal.numbers` gives them, and ``score``.
    evaluations : int
        Designs solved, those known from an archive included.
    infeasible : int
        Designs among them that could not be solved.
    message : str
        How it ended.
    history : tuple of Trial
    """

    cabinet: Cabinet
    before: Numbers
    after: Numbers
    evaluations: int
    infeasible: int
    message: str
    history: tuple[Trial, ...] = ()

    @property
    def stopped(self) -> bool:
        """Whether it was ended by hand."""
        return self.message.startswith("stopped")

    def to_table(self) -> dict[str, object]:
        """Return what changed, as plain numbers."""
        return {
            "evaluations": self.evaluations,
            "message": self.message,
            "before": dict(self.before),
            "after": dict(self.after),
            "change_percent": {k: self._percent(k) for k in self.before if k in self.after and not k.endswith("dB")},
        }

    def text(self) -> str:
        """Return what changed, as lines to read."""
        wide = max(len(w) for w in WORDS.values())
        lines = [self.message, "", f"{'':{wide}}     before      after"]
        for key, word in WORDS.items():
            if key not in self.after:
                continue
            change = None if key.endswith("dB") else self._percent(key)
            lines.append(
                f"{word:{wide}} {self.before[key]:10.4g} {self.after[key]:10.4g}"
                + ("" if change is None else f"  {change:+.1f} %")
            )
        return "\n".join(lines) + "\n"

    def _percent(self, key: str) -> float | None:
        before = self.before[key]
        return 100.0 * (self.after[key] / before - 1.0) if before else None
