"""bracewright: design wooden loudspeaker cabinets before cutting them."""

__version__ = "0.1.0"
