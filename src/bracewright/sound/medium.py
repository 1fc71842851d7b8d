"""The air, the same inside and outside. Time runs as exp(+j w t), outgoing waves as exp(-j k r)."""

from __future__ import annotations

SPEED = 343.0  # m/s, at 20 degrees C
DENSITY = 1.204  # kg/m3
