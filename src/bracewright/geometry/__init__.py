"""Plane closed curves of straight lines and circular arcs: what a saw or a router follows.

A curve is a :class:`Path`. Ellipses, superellipses and splines become tangent arcs within a stated tolerance.
"""

from bracewright.geometry.path import CORNER, FINE, Arc, Path, Point, Segment, Vertex
from bracewright.geometry.relations import clearance, offset, web
from bracewright.geometry.shapes import circle, ellipse, polygon, rectangle, spline, stadium, superellipse

__all__ = [
    "CORNER",
    "FINE",
    "Arc",
    "Path",
    "Point",
    "Segment",
    "Vertex",
    "circle",
    "clearance",
    "ellipse",
    "offset",
    "polygon",
    "rectangle",
    "spline",
    "stadium",
    "superellipse",
    "web",
]
