"""Search: numbers to cabinets and back, goals, optimiser, choices, robustness, trade-offs."""

from bracewright.fem.near import Anchor
from bracewright.tune.constraints import Limits, Rules
from bracewright.tune.goals import Goal
from bracewright.tune.looks import Look
from bracewright.tune.result import SearchResult
from bracewright.tune.robust import Scatter, bands
from bracewright.tune.search import search
from bracewright.tune.sensitivity import added_mass, sensitivity_map
from bracewright.tune.tradeoff import trade_off
from bracewright.tune.variables import Space

__all__ = [
    "Anchor",
    "Goal",
    "Limits",
    "Look",
    "Rules",
    "Scatter",
    "SearchResult",
    "Space",
    "added_mass",
    "bands",
    "search",
    "sensitivity_map",
    "trade_off",
]
