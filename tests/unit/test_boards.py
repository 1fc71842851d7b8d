"""Boards: validation, tables, the library and the invariants of their plate stiffness."""

from __future__ import annotations

from dataclasses import FrozenInstanceError, replace

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from bracewright.boards import Board, Layer, laminate, library
from bracewright.errors import DesignError

PLY = {
    "thickness": 1.4,
    "E1_GPa": 16.8,
    "E2_GPa": 0.7,
    "poisson12": 0.43,
    "G12_GPa": 0.62,
    "G13_GPa": 0.62,
    "G23_GPa": 0.12,
    "density_kg_m3": 680.0,
}
MDF = {"thickness": 22, "E_GPa": 3.5, "poisson": 0.25, "density_kg_m3": 740}
UNSYMMETRIC = Board(layers=tuple(Layer(**{**PLY, "angle_deg": a}) for a in (0, 30, -45)))


def test_isotropic_board():
    board = Board.isotropic(22, 3.5, 0.25, 740, loss_factor=0.03)
    plate = laminate(board)
    D = 3.5e9 * 0.022**3 / 12 / (1 - 0.25**2)
    np.testing.assert_allclose(plate.D, D * np.array([[1, 0.25, 0], [0.25, 1, 0], [0, 0, 0.375]]), rtol=1e-13)
    np.testing.assert_allclose(plate.A, plate.D * 12 / 0.022**2, rtol=1e-13)
    assert not plate.B.any()
    assert plate.first_moment == 0
    assert plate.mass == pytest.approx(740 * 0.022)
    assert plate.rotary == pytest.approx(740 * 0.022**3 / 12)
    assert board.mass_kg_m2 == pytest.approx(16.28)
    assert (board.thickness, board.loss_factor) == (22, 0.03)
    assert board.density_kg_m3 == pytest.approx(740)
    assert board.layers[0].G13_GPa == board.layers[0].G12_GPa == pytest.approx(1.4)


def test_moments_of_an_unsymmetric_board():
    """First and second moments of mass by hand: 10 mm at 500 under 10 mm at 1000."""
    light, heavy = (Board.isotropic(10, 1, 0.3, rho).layers[0] for rho in (500, 1000))
    plate = laminate(Board(layers=(light, heavy)))
    assert plate.mass == pytest.approx(15)
    assert plate.first_moment == pytest.approx((1000 - 500) * 0.01**2 / 2)
    assert plate.rotary == pytest.approx(1500 * 0.01**3 / 3)
    stiff_on_top = laminate(Board(layers=(light, replace(light, E1_GPa=2.0, E2_GPa=2.0))))
    assert stiff_on_top.B[0, 0] > 0


@pytest.mark.parametrize("board", [Board.of("birch_plywood", 18), Board.of("solid_pine", 20), UNSYMMETRIC])
def test_a_quarter_turn_swaps_the_axes(board):
    straight, turned = laminate(board), laminate(board, 90.0)
    swap = np.ix_([1, 0, 2], [1, 0, 2])
    sign = np.array([[1, 1, -1], [1, 1, -1], [-1, -1, 1]])
    for name in "ABD":
        a, b = getattr(straight, name), getattr(turned, name)
        np.testing.assert_allclose(b, a[swap] * sign, atol=1e-12 * np.abs(a).max())
    np.testing.assert_allclose(turned.S, straight.S[::-1, ::-1] * [[1, -1], [-1, 1]], atol=1e-10 * straight.S.max())
    assert straight.D[0, 0] != pytest.approx(turned.D[0, 0])


@given(st.floats(-180, 180))
def test_turning_keeps_the_invariants(angle):
    straight, turned = laminate(UNSYMMETRIC), laminate(UNSYMMETRIC, angle)
    for name in "ABD":
        a, b = getattr(straight, name), getattr(turned, name)
        scale = np.abs(a).max()
        assert b[0, 0] + b[1, 1] + 2 * b[0, 1] == pytest.approx(a[0, 0] + a[1, 1] + 2 * a[0, 1], abs=1e-10 * scale)
        assert b[2, 2] - b[0, 1] == pytest.approx(a[2, 2] - a[0, 1], abs=1e-10 * scale)
    np.testing.assert_allclose(np.linalg.eigvalsh(turned.S), np.linalg.eigvalsh(straight.S), rtol=1e-9)


def test_turning_the_shear_tensor():
    """S is a tensor: turned 25 degrees it is R^T S R, also where no axis of the layup is a symmetry axis."""
    for board in (Board.of("birch_plywood", 18), UNSYMMETRIC):
        c, s = np.cos(np.radians(25)), np.sin(np.radians(25))
        rotate = np.array([[c, s], [-s, c]])
        expected = rotate.T @ laminate(board).S @ rotate
        np.testing.assert_allclose(laminate(board, 25.0).S, expected, rtol=1e-9)


def test_an_isotropic_board_does_not_mind_turning():
    board = Board.of("mdf", 22)
    for name in "ABDS":
        a = getattr(laminate(board), name)
        np.testing.assert_allclose(getattr(laminate(board, 33.0), name), a, atol=1e-12 * np.abs(a).max())


def turned(board: Board, angle_deg: float) -> Board:
    """The board with every layer turned."""
    return replace(board, layers=tuple(replace(k, angle_deg=k.angle_deg + angle_deg) for k in board.layers))


def test_turned_layers_equal_grain():
    board = Board.of("birch_plywood", 18)
    for name in "ABDS":
        np.testing.assert_array_equal(getattr(laminate(turned(board, 40)), name), getattr(laminate(board, 40.0), name))


def test_splitting_a_layer_changes_nothing():
    halves = [replace(k, thickness=k.thickness / 2) for k in UNSYMMETRIC.layers for _ in range(2)]
    whole, split = laminate(UNSYMMETRIC), laminate(Board(layers=tuple(halves)))
    for name in "ABDS":
        np.testing.assert_allclose(getattr(split, name), getattr(whole, name), rtol=1e-9)


def test_results_are_read_only_and_shared():
    plate = laminate(Board.of("mdf", 22))
    assert laminate(Board.of("mdf", 22)) is plate
    for name in "ABDS":
        with pytest.raises(ValueError, match="read-only"):
            getattr(plate, name)[0, 0] = 1.0
    with pytest.raises(FrozenInstanceError):
        plate.mass = 1.0


# Refusals


@pytest.mark.parametrize(
    ("change", "key", "says"),
    [
        ({"thickness": 0.022}, "thickness", "lengths are in mm"),
        ({"thickness": 22000}, "thickness", "lengths are in mm"),
        ({"E1_GPa": 16800}, "E1_GPa", "moduli are in GPa"),
        ({"E2_GPa": -1}, "E2_GPa", "moduli are in GPa"),
        ({"G23_GPa": 0}, "G23_GPa", "moduli are in GPa"),
        ({"density_kg_m3": 0.68}, "density_kg_m3", "kg/m3"),
        ({"poisson12": 5.0}, "poisson12", "not positive definite"),
        ({"E1_GPa": 0.7, "E2_GPa": 16.8}, "poisson12", "not positive definite"),
        ({"angle_deg": float("nan")}, "angle_deg", "degrees"),
        ({"E1_GPa": "16.8"}, "E1_GPa", "must be a number"),
        ({"thickness": True}, "thickness", "must be a number"),
    ],
)
def test_layer_refuses(change, key, says):
    with pytest.raises(DesignError, match=says) as caught:
        Layer(**{**PLY, **change})
    assert caught.value.key == key


@pytest.mark.parametrize(
    ("change", "key", "says"),
    [
        ({"poisson": 0.5}, "poisson", "between -1 and 0.5"),
        ({"poisson": 0.7}, "poisson", "between -1 and 0.5"),
        ({"poisson": -1}, "poisson", "between -1 and 0.5"),
        ({"E_GPa": 3500}, "E_GPa", "GPa"),
        ({"G_through_GPa": 2500}, "G_through_GPa", "GPa"),
        ({"loss_factor": 2}, "loss_factor", "fraction"),
        ({"thickness": 0.022}, "thickness", "0.022.*lengths are in mm"),
        ({"cost_per_m2": -3}, "cost_per_m2", "not negative"),
    ],
)
def test_isotropic_refuses(change, key, says):
    with pytest.raises(DesignError, match=says) as caught:
        Board.isotropic(**{**MDF, **change})
    assert caught.value.key == key


def test_an_isotropic_layer_cannot_have_a_wild_poisson_ratio():
    with pytest.raises(DesignError, match=r"between -1 and 0\.5"):
        Layer(**{**PLY, "E1_GPa": 3.2, "E2_GPa": 3.2, "poisson12": 0.6, "G12_GPa": 1.0})


def test_a_board_needs_layers():
    with pytest.raises(DesignError, match="at least one layer"):
        Board(layers=())


@pytest.mark.parametrize(
    ("table", "key", "says"),
    [
        ({"material": "mfd", "thickness": 22}, "material", "'mdf'"),
        ({"material": "Birch-Plywood", "thickness": 18}, "material", "'birch_plywood'"),
        ({"material": "granite!", "thickness": 18}, "material", "known: "),
        ({"material": 3, "thickness": 18}, "material", "got 3"),
        ({"material": "mdf"}, "thickness", "needs thickness"),
        ({"material": "mdf", "thickness": 0.022}, "thickness", "lengths are in mm"),
        ({"material": "mdf", "thickness": 22, "E1_GPa": 3}, "E1_GPa", "'E_GPa'"),
        ({"material": "birch_plywood", "thickness": 18, "E_GPa": 9}, "E_GPa", "does not go with"),
        ({**MDF, "loss_facter": 0.02}, "loss_facter", "'loss_factor'"),
        ({"thickness": 22, "E_GPa": 3.5}, "poisson", "needs poisson, density_kg_m3"),
        ({"layers": [PLY], "thickness": 22}, "thickness", "does not go with a board given by layers"),
        ({"layers": [{**PLY, "E1": 3}]}, "layers[0].E1", "did you mean"),
        ({"layers": [PLY, {"thickness": 3}]}, "layers[1].E1_GPa", "needs E1_GPa"),
        ({"layers": [PLY, {**PLY, "thickness": 0.0014}]}, "layers[1].thickness", "lengths are in mm"),
        ({"layers": 3}, "layers", "list of tables"),
        ({"layers": [3]}, "layers[0]", "must be a table"),
        ({"layers": []}, "layers", "at least one"),
    ],
)
def test_tables_refused(table, key, says):
    with pytest.raises(DesignError, match=says) as caught:
        Board.from_table(table)
    assert caught.value.key == key


# Tables


@pytest.mark.parametrize(
    "table",
    [
        {"material": "mdf", "thickness": 22},
        {"material": "mdf", "thickness": 18.7, "E_GPa": 3.1, "loss_factor": 0.025},
        {"material": "birch_plywood", "thickness": 18, "cost_per_m2": 42.0},
        {"material": "birch_plywood", "thickness": 17.7, "E1_GPa": 15.0, "ply_thickness": 2.0},
        {"material": "solid_pine", "thickness": 20, "density_kg_m3": 540},
        {**MDF, "loss_factor": 0.02},
        {**MDF, "loss_factor": 0.01, "G_GPa": 1.2, "G_through_GPa": 0.2, "cost_per_m2": 9.5},
        {"loss_factor": 0.03, "layers": [{**PLY, "angle_deg": 0.0}, {**PLY, "angle_deg": 45.0}]},
    ],
)
def test_tables_come_back_as_they_were(table):
    board = Board.from_table(table, name="carcass")
    assert board.name == "carcass"
    assert board.to_table() == table
    assert Board.from_table(board.to_table(), name="carcass") == board


@given(st.floats(4.0, 60.0), st.sampled_from(["mdf", "birch_plywood", "solid_pine"]))
def test_any_thickness_loads_back(thickness, material):
    board = Board.of(material, thickness)
    assert Board.from_table(board.to_table()).layers == board.layers


def test_changed_layers_are_written_out():
    """A board no longer of its material is not saved as if it were."""
    board = Board.of("mdf", 22)
    softer = replace(board, layers=(replace(board.layers[0], E1_GPa=3.0, E2_GPa=3.0),))
    assert "material" not in softer.to_table()
    assert softer.to_table()["E_GPa"] == 3.0
    assert Board.from_table(softer.to_table()).layers == softer.layers
    oblique = turned(Board.of("birch_plywood", 9), 15)
    assert Board.from_table(oblique.to_table()) == replace(oblique, material=None)


@pytest.mark.parametrize(
    "change", [{"poisson12": 1.2}, {"E1_GPa": 3.0, "E2_GPa": 3.0, "G23_GPa": 0.62, "poisson12": 0.6}]
)
def test_one_layer_with_a_ratio_of_its_own_is_written_as_a_layer(change):
    board = Board(layers=(Layer(**{**PLY, **change}),))
    assert Board.from_table(board.to_table()) == board


def test_numbers_override_the_library():
    """The number given wins; what derives from it follows, what the library states stays."""
    board = Board.from_table({"material": "mdf", "thickness": 22, "E_GPa": 4.0})
    layer = board.layers[0]
    assert (layer.E1_GPa, layer.G12_GPa) == (4.0, pytest.approx(1.6))
    assert layer.G13_GPa == library()["mdf"].values["G_through_GPa"]
    assert board.material == "mdf"


# Library


def test_library_is_sourced_and_immutable():
    for name, entry in library().items():
        assert entry.name == name
        assert set(entry.values) == set(entry.spread) == set(entry.sources)
        for key in entry.values:
            assert 0 < entry.spread[key] < 1
            assert entry.sources[key]
            if entry.sources[key].startswith("common practice"):
                assert key in entry.unsourced, f"{name}.{key} has no source but does not say so"
        assert Board.of(name, 18).material == name
        with pytest.raises(TypeError):
            entry.values["loss_factor"] = 0.5
    with pytest.raises(TypeError):
        library()["oak"] = library()["mdf"]


def test_mdf_is_softer_through_its_thickness():
    layer = Board.of("mdf", 22).layers[0]
    assert layer.G13_GPa == layer.G23_GPa < 0.3 * layer.G12_GPa
    assert "G_through_GPa" in library()["mdf"].unsourced


@pytest.mark.parametrize(
    ("thickness", "plies"), [(4, 3), (6.5, 5), (9, 7), (12, 9), (15, 11), (18, 13), (21, 15), (24, 17), (30, 21)]
)
def test_birch_ply_counts(thickness, plies):
    """The usual makes of all-birch plywood (common practice)."""
    board = Board.of("birch_plywood", thickness)
    assert len(board.layers) == plies
    assert board.thickness == pytest.approx(thickness)
    assert [k.angle_deg for k in board.layers] == [90.0 * (i % 2) for i in range(plies)]
    assert board.layers[0].thickness == board.layers[-1].thickness < board.layers[1].thickness
    assert not laminate(board).B.any()


# MDF with dense faces


@pytest.mark.parametrize(("smooth", "count"), [(True, 7), (False, 3)])
def test_mdf_profile(smooth, count):
    board = Board.mdf_profile(22, 1000, 680, 3.5, smooth=smooth)
    assert len(board.layers) == count
    assert board.thickness == pytest.approx(22)
    density = [k.density_kg_m3 for k in board.layers]
    assert density == density[::-1]
    mean = 680 + 320 * 2 * 3.5 / 22 * (0.5 if smooth else 1.0)
    assert board.density_kg_m3 == pytest.approx(mean)
    plate, uniform = laminate(board), laminate(Board.of("mdf", 22))
    assert plate.D[0, 0] == pytest.approx(uniform.D[0, 0])
    assert plate.A[0, 0] < 0.95 * uniform.A[0, 0]
    assert not plate.B.any()
    assert Board.from_table(board.to_table()) == board


def test_mdf_profile_with_its_own_modulus():
    board = Board.mdf_profile(22, 1000, 650, 3.5, lambda rho: rho / 200, smooth=False)
    assert [k.E1_GPa for k in board.layers] == [5.0, 3.25, 5.0]


def test_mdf_profile_refuses():
    with pytest.raises(DesignError, match="half the thickness"):
        Board.mdf_profile(10, 1000, 650, 5)
    with pytest.raises(DesignError, match="kg/m3"):
        Board.mdf_profile(22, 1.0e6, 650, 3)
