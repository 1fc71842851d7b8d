"""Curves of lines and arcs, against closed formulas and dense samples of the true curves."""

from __future__ import annotations

import math
import pickle

import numpy as np
import pytest
import shapely
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy.interpolate import CubicSpline

from bracewright.errors import DesignError
from bracewright.geometry import (
    Path,
    circle,
    clearance,
    ellipse,
    offset,
    polygon,
    rectangle,
    spline,
    stadium,
    superellipse,
    web,
)

TOLERANCE = 0.05
STAR = [(0.0, 0.0), (100.0, 10.0), (120.0, 80.0), (60.0, 50.0), (10.0, 90.0)]
L_SHAPE = [(0.0, 0.0), (60.0, 0.0), (60.0, 20.0), (20.0, 20.0), (20.0, 50.0), (0.0, 50.0)]

NEAR_CUSP = [(130, 18), (-11, 51), (-71, -86), (25, -89), (78, -137), (38, -49), (91, -49)]


def superellipse_area(width: float, height: float, n: float) -> float:
    """4 a b Gamma(1 + 1/n)^2 / Gamma(1 + 2/n): handbooks of calculus, from memory."""
    return width * height * math.gamma(1 + 1 / n) ** 2 / math.gamma(1 + 2 / n)


def kinks(path: Path) -> np.ndarray:
    """Heading changes at the vertices, from the segments' own numbers."""
    out = []
    segments = path.segments()
    for before, after in zip(segments[-1:] + segments[:-1], segments, strict=True):
        ends = [complex(*s.end) - complex(*s.start) for s in (before, after)]
        into = np.angle(ends[0]) + 2 * math.atan(before.bulge)
        off = np.angle(ends[1]) - 2 * math.atan(after.bulge)
        out.append(abs((off - into + math.pi) % (2 * math.pi) - math.pi))
    return np.array(out)


def deviation(path: Path, true: np.ndarray) -> float:
    """Largest distance between a path and a densely sampled closed curve, both ways."""
    chords, dense = path.polygon(1e-3).exterior, shapely.LinearRing(true)
    there = shapely.distance(shapely.points(true), chords).max()
    back = shapely.distance(shapely.points(path.points(2.0)), dense).max()
    return float(max(there, back))


# --- closed formulas ------------------------------------------------------------------------------------------------


def test_circle_is_exact():
    c = circle((30, -20), 120)
    assert c.area == pytest.approx(math.pi * 60**2, rel=1e-13)
    assert c.perimeter == pytest.approx(math.pi * 120, rel=1e-13)
    assert c.centroid == pytest.approx((30, -20), abs=1e-10)
    assert c.bounds == pytest.approx((-30, -80, 90, 40), abs=1e-10)
    assert c.is_ccw
    assert c.smallest_inside_radius() == pytest.approx(60)


@pytest.mark.parametrize("size", [(110, 60), (60, 110), (80, 80)])
def test_stadium_is_exact(size):
    d, straight = min(size), max(size) - min(size)
    s = stadium((10, 5), size)
    assert s.area == pytest.approx(math.pi * d**2 / 4 + straight * d, rel=1e-13)
    assert s.perimeter == pytest.approx(math.pi * d + 2 * straight, rel=1e-13)
    assert s.bounds == pytest.approx((10 - size[0] / 2, 5 - size[1] / 2, 10 + size[0] / 2, 5 + size[1] / 2))
    assert s.smallest_inside_radius() == pytest.approx(d / 2)
    assert kinks(s).max() < 1e-12


@pytest.mark.parametrize("r", [0, 8, 20, 30])
def test_rounded_rectangle_is_exact(r):
    p = rectangle((100, 200), (110, 60), r)
    assert p.area == pytest.approx(110 * 60 - (4 - math.pi) * r**2, rel=1e-13)
    assert p.perimeter == pytest.approx(2 * (110 + 60) - (8 - 2 * math.pi) * r, rel=1e-13)
    assert p.centroid == pytest.approx((100, 200))
    assert p.bounds == pytest.approx((45, 170, 155, 230))
    assert p.smallest_inside_radius() == pytest.approx(r)
    assert len(p.arcs()) == (4 if r else 0)


def test_centroid_of_a_half_disc():
    half = Path(vertices=((50, 0, 1), (-50, 0, 0)))
    assert half.centroid == pytest.approx((0, 4 * 50 / (3 * math.pi)))
    assert half.bounds == pytest.approx((-50, 0, 50, 50))


def test_area_and_centroid_of_slightly_bent_arcs_agree_with_a_fine_polygon():
    p = Path(vertices=((0, 0, 1e-5), (100, 0, -0.3), (100, 80, 0.2), (0, 80, -1e-7)))
    fine = shapely.get_coordinates(p.polygon(1e-6).exterior)[:-1]
    q = Path(vertices=tuple((x, y, 0.0) for x, y in fine))
    assert p.area == pytest.approx(q.area, abs=1e-6 * p.perimeter)
    assert p.centroid == pytest.approx(q.centroid, abs=1e-5)


def test_bounds_see_the_belly_of_an_arc_past_half_a_turn():
    three_quarters = Path(vertices=((0, -10, math.tan(math.radians(270 / 4))), (-10, 0, 0)))
    assert three_quarters.bounds == pytest.approx((-10, -10, 10, 10))
    assert three_quarters.area == pytest.approx(0.75 * math.pi * 100 + 50)


def test_filleted_polygon_is_exact_and_tangent():
    r = 6.0
    p = polygon(L_SHAPE, r)
    corner = (1 - math.pi / 4) * r**2  # five corners lose it, the inner one gains it
    assert p.area == pytest.approx(60 * 20 + 20 * 30 - 4 * corner, rel=1e-13)
    assert p.perimeter == pytest.approx(220 - 6 * (2 - math.pi / 2) * r, rel=1e-13)
    assert kinks(p).max() < 1e-12
    assert sorted(a.sweep_deg for a in p.arcs()) == pytest.approx([-90] + [90] * 5)


def test_the_inner_corner_of_an_l_needs_no_tool_radius():
    assert polygon(L_SHAPE).smallest_inside_radius() == 0
    bulged_in = Path(vertices=((50, 0, 1), (-50, 0, -0.2), (0, 5, -0.2)))
    assert bulged_in.smallest_inside_radius() == 0
    only_reflex_is_sharp = Path(vertices=((0, 0, 0), (-40, 20, 1), (-40, -20, 0)))
    assert only_reflex_is_sharp.smallest_inside_radius() == 0
    heart = Path(vertices=((0, 0, 1), (-40, 0, 1), (40, 0, 1)))  # two humps meet in a reflex corner at the origin
    assert heart.signed_area > 0
    assert heart.smallest_inside_radius() == pytest.approx(20)
    assert heart.reversed().smallest_inside_radius() == pytest.approx(20)


# --- fitted curves --------------------------------------------------------------------------------------------------


@pytest.mark.parametrize("axes", [(80, 50), (20, 150), (300, 299), (50, 50)])
def test_ellipse_area_axes_and_fit(axes):
    p = ellipse((10, 20), axes)
    assert abs(p.area - math.pi * axes[0] * axes[1]) <= TOLERANCE * p.perimeter
    assert p.area == pytest.approx(math.pi * axes[0] * axes[1], rel=1e-3)
    assert p.centroid == pytest.approx((10, 20), abs=1e-9)
    t = np.linspace(0, 2 * np.pi, 4_000, endpoint=False)
    assert deviation(p, np.column_stack([10 + axes[0] * np.cos(t), 20 + axes[1] * np.sin(t)])) <= TOLERANCE
    assert kinks(p).max() < 1e-6


@pytest.mark.parametrize("tolerance", [0.5, 0.05, 0.005])
def test_a_tighter_tolerance_is_met(tolerance):
    t = np.linspace(0, 2 * np.pi, 8_000, endpoint=False)
    p = ellipse((0, 0), (120, 40), tolerance)
    assert deviation(p, np.column_stack([120 * np.cos(t), 40 * np.sin(t)])) <= tolerance
    assert len(p.vertices) < 40 * (0.5 / tolerance) ** (1 / 3)  # arcs converge with the third power


@pytest.mark.parametrize("n", [1.1, 1.5, 2, 2.5, 4, 10, 40, 100])
@pytest.mark.parametrize("size", [(300, 200), (60, 400)])
def test_superellipse_area_fit_and_tangency(n, size):
    p = superellipse((0, 0), size, n)
    exact = superellipse_area(*size, n)
    assert abs(p.area - exact) <= TOLERANCE * p.perimeter
    assert p.area == pytest.approx(exact, rel=1e-3)
    assert p.bounds == pytest.approx((-size[0] / 2, -size[1] / 2, size[0] / 2, size[1] / 2), abs=1e-9)
    assert kinks(p).max() < 1e-6
    # Sampled by both coordinates in turn, so that neither flat sides nor tight corners go thin.
    t = np.linspace(0, 1, 801)
    t = np.sort(np.concatenate([t, (1 - t**n) ** (1 / n)]))
    x, y = size[0] / 2 * t, size[1] / 2 * (1 - t**n) ** (1 / n)
    quarter = np.column_stack([x, y])
    loop = np.concatenate([quarter, (quarter * [1, -1])[::-1], quarter * [-1, -1], (quarter * [-1, 1])[::-1]])
    assert deviation(p, loop) <= TOLERANCE


@pytest.mark.parametrize("n", [1.1, 1.5, 2, 3.7, 20, 100])
def test_a_convex_curve_has_only_convex_arcs(n):
    assert all(a.sweep_deg > 0 for a in superellipse((0, 0), (300, 120), n).arcs())


def test_superellipse_tightest_arc_is_near_the_true_least_radius():
    n, a, b = 4.0, 150.0, 100.0
    s = np.linspace(0.01, np.pi / 2 - 0.01, 20_000)
    x, y = a * np.cos(s) ** (2 / n), b * np.sin(s) ** (2 / n)
    fx, fy = n * x ** (n - 1) / a**n, n * y ** (n - 1) / b**n
    fxx, fyy = n * (n - 1) * x ** (n - 2) / a**n, n * (n - 1) * y ** (n - 2) / b**n
    least = ((fx**2 + fy**2) ** 1.5 / (fxx * fy**2 + fyy * fx**2)).min()
    assert superellipse((0, 0), (2 * a, 2 * b), n).smallest_inside_radius() == pytest.approx(least, rel=0.1)


def test_spline_passes_its_points_and_keeps_to_the_cubic():
    p = spline(STAR)
    pts = np.array([*STAR, STAR[0]])
    knots = np.concatenate([[0], np.cumsum(np.sqrt(np.linalg.norm(np.diff(pts, axis=0), axis=1)))])
    true = CubicSpline(knots, pts, bc_type="periodic")(np.linspace(0, knots[-1], 4_000)[:-1])
    assert deviation(p, true) <= TOLERANCE
    assert kinks(p).max() < 1e-6
    for point in STAR:
        assert math.dist(p.nearest(point), point) < 1e-9


def test_spline_through_points_of_a_circle_is_nearly_that_circle():
    t = np.arange(12) * np.pi / 6
    p = spline([(60 * math.cos(a), 60 * math.sin(a)) for a in t])
    assert p.area == pytest.approx(math.pi * 3600, rel=1e-3)


# --- the methods ----------------------------------------------------------------------------------------------------

paths = st.one_of(
    st.builds(circle, st.just((12.0, -7.0)), st.floats(5, 500)),
    st.builds(stadium, st.just((0.0, 0.0)), st.tuples(st.floats(5, 300), st.floats(5, 300))),
    st.builds(lambda w, h, k: rectangle((3, 4), (w, h), k * min(w, h)), *[st.floats(5, 300)] * 2, st.floats(0, 0.5)),
    st.builds(lambda r: polygon(L_SHAPE, r), st.floats(0, 9)),
    st.builds(lambda n: superellipse((0, 0), (100, 60), n), st.floats(1.2, 50)),
    st.just(spline(STAR)),
)


@settings(max_examples=60, deadline=None)
@given(path=paths, dx=st.floats(-2000, 2000), dy=st.floats(-2000, 2000), angle=st.floats(-720, 720))
def test_motions_keep_area_and_perimeter(path, dx, dy, angle):
    moved = path.translated(dx, dy).rotated(angle, about=(10, 20))
    assert moved.signed_area == pytest.approx(path.signed_area, rel=1e-9)
    assert moved.perimeter == pytest.approx(path.perimeter, rel=1e-9)
    back = moved.rotated(-angle, about=(10, 20)).translated(-dx, -dy)
    assert np.allclose(back.vertices, path.vertices, atol=1e-8)


@settings(max_examples=40, deadline=None)
@given(path=paths, at=st.floats(-100, 100))
def test_reversing_and_mirroring(path, at):
    assert path.reversed().signed_area == pytest.approx(-path.signed_area, rel=1e-12)
    assert path.reversed().reversed() == path
    assert path.oriented(False).signed_area < 0 < path.oriented().signed_area
    mirrored = path.mirrored_x(at)
    assert mirrored.signed_area == pytest.approx(path.signed_area, rel=1e-9)
    assert mirrored.centroid == pytest.approx((2 * at - path.centroid[0], path.centroid[1]), abs=1e-7)
    assert np.allclose(mirrored.mirrored_x(at).vertices, path.vertices, atol=1e-9)


@settings(max_examples=40, deadline=None)
@given(path=paths, tolerance=st.floats(1e-3, 0.5))
def test_polygon_keeps_its_chord_tolerance(path, tolerance):
    poly = path.polygon(tolerance)
    middles = (np.array(poly.exterior.coords[1:]) + np.array(poly.exterior.coords[:-1])) / 2
    off = [math.dist(path.nearest(m), m) for m in middles.tolist()]
    assert max(off) <= tolerance * (1 + 1e-6)
    assert abs(poly.area - path.area) <= tolerance * path.perimeter
    x0, y0, x1, y1 = path.bounds
    px0, py0, px1, py1 = poly.bounds
    assert (px0, py0, -px1, -py1) >= (x0 - 1e-9, y0 - 1e-9, -x1 - 1e-9, -y1 - 1e-9)
    assert np.allclose(path.bounds, poly.bounds, atol=tolerance * 1.01)


def test_points_and_samples_lie_on_the_path_at_even_steps():
    p = stadium((0, 0), (100, 40))
    pts = p.points(3)
    gaps = np.linalg.norm(np.diff(np.vstack([pts, pts[:1]]), axis=0), axis=1)
    assert gaps.max() <= 3 * (1 + 1e-12)
    for x, y, _ in p.vertices:
        assert np.min(np.hypot(*(pts - [x, y]).T)) < 1e-9
    even = p.sample(1000)
    assert even.shape == (1000, 2)
    assert tuple(even[0]) == pytest.approx(p.vertices[0][:2])
    assert max(math.dist(p.nearest((x, y)), (x, y)) for x, y in even.tolist()) < 1e-9
    steps = np.linalg.norm(np.diff(np.vstack([even, even[:1]]), axis=0), axis=1)
    assert steps == pytest.approx(p.perimeter / 1000, rel=1e-4)
    with pytest.raises(DesignError, match="step must be positive"):
        p.points(0)


def test_arcs_name_centre_radius_and_sweep():
    (a, b) = circle((10, 20), 60).arcs()
    assert a.centre == pytest.approx((10, 20))
    assert (a.radius, a.start_deg, a.sweep_deg) == pytest.approx((30, 0, 180))
    assert abs(b.start_deg) == pytest.approx(180)
    assert circle((10, 20), 60).reversed().arcs()[0].sweep_deg == pytest.approx(-180)
    big = Path(vertices=((0, -10, math.tan(math.radians(270 / 4))), (-10, 0, 0)))
    assert big.arcs()[0].centre == pytest.approx((0, 0), abs=1e-12)


def test_paths_are_hashable_values_that_pickle():
    assert circle((0, 0), 50) == circle((0.0, 0.0), 50.0)
    assert len({circle((0, 0), 50), circle((0.0, 0.0), 50.0)}) == 1
    assert pickle.loads(pickle.dumps(spline(STAR))) == spline(STAR)
    assert Path(vertices=[[0, 0, 0], [1, 0, 0], [0, 1, 0]]).vertices[1] == (1.0, 0.0, 0.0)  # type: ignore[arg-type]


# --- relations ------------------------------------------------------------------------------------------------------


def test_clearance_of_circles_is_the_formula():
    a = circle((0, 0), 100)
    assert clearance(a, circle((200, 1), 100)) == pytest.approx(math.hypot(200, 1) - 100, abs=1e-9)
    assert clearance(a, circle((90, 0), 100)) == pytest.approx(-10, abs=0.003)
    assert clearance(a, circle((0, 0), 30)) == pytest.approx(-30, abs=0.003)


@settings(max_examples=40, deadline=None)
@given(a=paths, b=paths, angle=st.floats(0, 360))
def test_clearance_is_symmetric_and_agrees_with_fine_polygons(a, b, angle):
    b = b.rotated(angle).translated(700, 130)
    expected = a.polygon(1e-4).distance(b.polygon(1e-4))
    assert clearance(a, b) == pytest.approx(expected, abs=2.5e-3)
    assert clearance(a, b) == pytest.approx(clearance(b, a), abs=2.5e-3)


def test_clearance_from_a_line_to_an_arc():
    assert clearance(rectangle((0, 0), (100, 60)), circle((0, 80), 50)) == pytest.approx(25, abs=1e-9)
    assert clearance(rectangle((0, 0), (100, 60)), circle((80, 60), 50)) == pytest.approx(30 * math.sqrt(2) - 25)


def test_web_and_clearance_where_paths_touch_and_overlap():
    outer = rectangle((0, 0), (200, 100), 20)
    assert web(outer, circle((40, 0), 60)) == pytest.approx(20, abs=1e-9)
    assert web(outer, circle((40, 40), 60)) == pytest.approx(-20, abs=0.003)
    assert web(outer, circle((400, 0), 60)) == pytest.approx(-330, abs=0.003)
    assert web(outer, circle((0, 0), 100)) == pytest.approx(0, abs=0.002)  # touches both long sides
    assert web(outer, outer) == pytest.approx(0, abs=0.002)
    assert web(outer, circle((0, 0), 100.1)) == pytest.approx(-0.05, abs=0.003)
    a = circle((0, 0), 50)
    assert clearance(a, circle((49.9, 0), 50)) == pytest.approx(-0.1, abs=0.003)
    assert clearance(a, circle((50, 0), 50)) == pytest.approx(0, abs=0.002)
    assert clearance(a, circle((50.1, 0), 50)) == pytest.approx(0.1, abs=1e-9)
    assert clearance(rectangle((0, 0), (100, 10)), rectangle((0, 0), (10, 100))) < -9
    assert web(rectangle((0, 0), (100, 10)), rectangle((0, 0), (10, 100))) == pytest.approx(-45)


@settings(max_examples=40, deadline=None)
@given(k=st.floats(0, 0.5), d=st.floats(0.5, 25))
def test_outward_offset_follows_steiners_formula(k, d):
    p = rectangle((0, 0), (120, 60), 60 * k)
    o = offset(p, d)
    assert o.area == pytest.approx(p.area + p.perimeter * d + math.pi * d**2, rel=1e-12)
    assert o.perimeter == pytest.approx(p.perimeter + 2 * math.pi * d, rel=1e-12)


def test_inward_offset_exact_polygonal_and_refused():
    p = rectangle((0, 0), (120, 60), 20)
    assert offset(p, -15).area == pytest.approx(90 * 30 - (4 - math.pi) * 25, rel=1e-12)
    assert len(offset(p, -15).arcs()) == 4
    assert offset(p, -25).area == pytest.approx(70 * 10, abs=0.01 * 160)  # arcs used up: sharp corners
    assert offset(p.reversed(), -15).signed_area < 0
    assert offset(p, 0) == p
    hollow = polygon(L_SHAPE)
    inner = offset(hollow, -5)  # its reflex corner rounds, its convex ones need trimming
    assert not inner.arcs()
    assert hollow.polygon(1e-4).buffer(-5, quad_segs=400).symmetric_difference(inner.polygon()).area < 0.005 * 200
    with pytest.raises(DesignError, match="leaves nothing"):
        offset(p, -31)
    dumbbell = Path(
        vertices=(
            (20, -3, 0),
            (20, -20, 1),
            (20, 20, 0),
            (20, 3, 0),
            (-20, 3, 0),
            (-20, 20, 1),
            (-20, -20, 0),
            (-20, -3, 0),
        )
    )
    with pytest.raises(DesignError, match="pieces"):
        offset(dumbbell, -4)


@settings(max_examples=30, deadline=None)
@given(path=paths, d=st.floats(0.5, 4))
def test_offsets_keep_their_distance(path, d):
    try:
        o = offset(path, -d)
    except DesignError:
        assert path.polygon().buffer(-d).area < 0.5 * path.area
        return
    assert web(path, o) == pytest.approx(d, abs=0.007)
    assert web(offset(path, d), path) == pytest.approx(d, abs=0.007)


# --- refusals -------------------------------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("vertices", "words"),
    [
        ([(0, 0, 0), (10, 0, 0)], "3 vertices"),
        ([(0, 0, 1)], "2 vertices"),
        ([(0, 0, 0), (10, 0, 0), (10, 0, 0), (0, 10, 0)], "without length"),
        ([(0, 0, 0), (10, 10, 0), (10, 0, 0), (0, 10, 0)], "crosses"),
        ([(0, 0, 0), (10, 0, 0), (20, 0, 0)], "crosses|no area"),
        ([(0, 0, 0), (10, 0, math.nan), (0, 10, 0)], "finite"),
        ([(0, 0), (10, 0), (0, 10)], "finite numbers"),
        ([(0, 0, 1), (10, 0, -1)], "crosses|no area"),
        ([(0, 0, 1e4), (10, 0, 0)], "full turn"),
        ([(0, 0, 0), (100, 0, -1), (60, 0, 0), (60, 10, 0), (0, 10, 0)], "crosses"),
    ],
)
def test_curves_that_cannot_be_cut_are_refused(vertices, words):
    with pytest.raises(DesignError, match=words):
        Path(vertices=tuple(vertices))


def test_arcs_that_nearly_touch_are_not_taken_for_a_crossing():
    # Two concave arcs 0.004 mm apart, and their chords of 0.01 mm tolerance.
    gap, r = 0.004, 50.0
    p = Path(vertices=((-r, -r - gap / 2, -1), (r, -r - gap / 2, 0), (r, r + gap / 2, -1), (-r, r + gap / 2, 0)))
    assert p.area == pytest.approx(2 * r * (2 * r + gap) - math.pi * r**2)


@pytest.mark.parametrize(
    ("make", "words"),
    [
        (lambda: circle((0, 0), 0), "diameter: must be a positive"),
        (lambda: circle((0, 0), math.inf), "positive"),
        (lambda: rectangle((0, 0), (10, -1)), "size"),
        (lambda: rectangle((0, 0), (100, 60), 31), "corner_radius.*half the shorter side 60"),
        (lambda: polygon(L_SHAPE, -1), "negative"),
        (lambda: polygon(L_SHAPE, 10.01), "does not fit on the edge of length 20 .* largest that fits there is 10"),
        (lambda: polygon([(0, 0), (10, 0)]), "3 vertices"),
        (lambda: ellipse((0, 0), (0, 5)), "semi_axes"),
        (lambda: superellipse((0, 0), (10, 10), 1.0), "exponent"),
        (lambda: superellipse((0, 0), (10, 10), 3, tolerance=0), "tolerance"),
        (lambda: spline([(0, 0), (1, 1)]), "3 points"),
        (lambda: spline([(0, 0), (0, 0), (10, 10), (0, 20)]), "coincide"),
        (lambda: spline([(0, 0), (100, 100), (100, 0), (0, 100)]), "crosses"),
        (lambda: spline(NEAR_CUSP), "turns too sharply"),
    ],
)
def test_constructors_refuse(make, words):
    with pytest.raises(DesignError, match=words):
        make()
