"""Search: numbers to cabinets and back, goals, optimiser, choices, robustness, trade-offs."""

from bracewright.tune.constraints import Limits
from bracewright.tune.goals import Goal
from bracewright.tune.looks import Look
from bracewright.tune.robust import Scatter, bands
from bracewright.tune.run import SearchResult
from bracewright.tune.search import search
from bracewright.tune.tradeoff import trade_off
from bracewright.tune.variables import Space

__all__ = ["Goal", "Limits", "Look", "Scatter", "SearchResult", "Space", "bands", "search", "trade_off"]
