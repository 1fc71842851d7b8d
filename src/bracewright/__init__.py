"""bracewright: design wooden loudspeaker cabinets before cutting them.

The job in a dozen lines::

    import bracewright as bw

    cabinet = bw.load("stand-mount.toml")        # or bw.example("stand-mount")
    print(bw.account(cabinet).text())            # parts, mass, volume, clearances
    model = bw.build(cabinet)                    # parts and joints to K and M
    modes = bw.solve(model, 20)                  # modes.frequency_Hz
    found = bw.search(cabinet)                   # better brace positions and pocket sizes
    heard = bw.sound.radiated(found.cabinet)     # what the walls radiate beside the drivers
    bw.export(found.cabinet, "cut")              # DXF, coordinates, cut list

Everything is loaded when it is first used, so importing the package is cheap.
"""

from __future__ import annotations

from importlib import import_module
from typing import TYPE_CHECKING, Any

__version__ = "0.1.0"

if TYPE_CHECKING:
    from bracewright import measure as measure
    from bracewright import sound as sound
    from bracewright import tune as tune
    from bracewright.boards import Board as Board
    from bracewright.boards import library as library
    from bracewright.design.account import account as account
    from bracewright.design.cabinet import Brace as Brace
    from bracewright.design.cabinet import Cabinet as Cabinet
    from bracewright.design.cabinet import JointSpec as JointSpec
    from bracewright.design.cabinet import Opening as Opening
    from bracewright.design.cabinet import Panel as Panel
    from bracewright.design.designfile import load as load
    from bracewright.design.designfile import save as save
    from bracewright.design.mounted import Driver as Driver
    from bracewright.design.pockets import Circle as Circle
    from bracewright.design.pockets import Ellipse as Ellipse
    from bracewright.design.pockets import Pocket as Pocket
    from bracewright.design.pockets import Polygon as Polygon
    from bracewright.design.pockets import Rectangle as Rectangle
    from bracewright.design.pockets import Spline as Spline
    from bracewright.design.pockets import Stadium as Stadium
    from bracewright.design.pockets import Superellipse as Superellipse
    from bracewright.errors import BracewrightError as BracewrightError
    from bracewright.examples import example as example
    from bracewright.fem.export import write_vtu as write_vtu
    from bracewright.fem.modes import solve as solve
    from bracewright.fem.system import build as build
    from bracewright.make import export as export
    from bracewright.show import measure_plots as measure_plots
    from bracewright.show import plots as plots
    from bracewright.show import sound_plots as sound_plots
    from bracewright.show.explorer import Explorer as Explorer
    from bracewright.show.explorer_widget import explore as explore
    from bracewright.show.report import write_report as write_report
    from bracewright.tune.search import search as search

_HOME = {
    "Board": "boards",
    "library": "boards",
    "BracewrightError": "errors",
    **dict.fromkeys(("Brace", "Cabinet", "JointSpec", "Opening", "Panel"), "design.cabinet"),
    "Driver": "design.mounted",
    **dict.fromkeys(
        ("Circle", "Ellipse", "Pocket", "Polygon", "Rectangle", "Spline", "Stadium", "Superellipse"), "design.pockets"
    ),
    "account": "design.account",
    "load": "design.designfile",
    "save": "design.designfile",
    "example": "examples",
    "build": "fem.system",
    "solve": "fem.modes",
    "write_vtu": "fem.export",
    "export": "make",
    "search": "tune",
    "measure": "measure",
    "measure_plots": "show.measure_plots",
    "sound_plots": "show.sound_plots",
    "tune": "tune",
    "plots": "show.plots",
    "Explorer": "show.explorer",
    "explore": "show.explorer_widget",
    "write_report": "show.report",
    "sound": "sound",
}

__all__ = ["__version__", *sorted(_HOME)]


def __getattr__(name: str) -> Any:
    """Load a public name from the module that has it."""
    if name not in _HOME:
        raise AttributeError(f"module 'bracewright' has no attribute {name!r}; it has {', '.join(sorted(_HOME))}")
    module = import_module(f"bracewright.{_HOME[name]}")
    value = getattr(module, name, module)
    globals()[name] = value
    return value


def __dir__() -> list[str]:
    """Return the public names."""
    return list(__all__)
