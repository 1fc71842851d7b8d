"""Search: numbers to cabinets and back, goals, optimiser."""

from bracewright.tune.constraints import Limits
from bracewright.tune.goals import Goal
from bracewright.tune.search import SearchResult, search
from bracewright.tune.variables import Space

__all__ = ["Goal", "Limits", "SearchResult", "Space", "search"]
