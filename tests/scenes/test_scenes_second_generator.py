"""The second pepper family holds what it promises: closed bodies, sizes as asked, ripeness as its colours."""

import time

import colour
import numpy as np
import pytest
import trimesh
from sample_images.maker.fruit_second import KINDS, make_fruit
from sample_images.maker.model import BODY, CALYX, STEM, FruitModel
from sample_images.maker.second_skin import (
    PATTERNS,
    PIGMENTS,
    SKINS,
    TO_LINEAR_SRGB,
    WAVELENGTH,
    lab,
    mixed_reflectance,
)
from scipy.spatial import ConvexHull
from scipy.spatial.distance import pdist

CASES = [
    (11, "red"),
    (12, "orange"),
    (13, "yellow"),
    (14, "green"),
    (15, "red"),
    (16, "purple"),
    (17, "brown"),
    (18, "white"),
]


@pytest.fixture(scope="module")
def peppers() -> list[FruitModel]:
    return [make_fruit(np.random.default_rng(seed), name) for seed, name in CASES]


def part(model: FruitModel, which: int) -> trimesh.Trimesh:
    mesh = trimesh.Trimesh(model.vertices, model.faces[model.face_part == which], process=False)
    mesh.remove_unreferenced_vertices()
    return mesh


def body_weights(model: FruitModel) -> tuple[np.ndarray, np.ndarray]:
    """Indices of the body's vertices and the skin area each stands for."""
    body = model.faces[model.face_part == BODY]
    areas = trimesh.triangles.area(model.vertices[body])
    weight = np.bincount(body.ravel(), np.repeat(areas / 3, 3), len(model.vertices))
    return np.unique(body), weight


def test_body_calyx_and_stem_are_closed_and_turned_outwards(peppers: list[FruitModel]) -> None:
    for model in peppers:
        for which in (BODY, CALYX, STEM):
            mesh = part(model, which)
            if len(mesh.faces) == 0:
                assert which == STEM
                assert model.notes["stem"] == "missing"
                continue
            assert mesh.is_watertight, (model.notes, which)
            assert mesh.is_winding_consistent
            assert mesh.volume > 0
        body = part(model, BODY)
        assert body.body_count == 1
        assert body.euler_number == 2  # a ball: no handles, no holes


def test_arrays_have_the_promised_types_and_lengths(peppers: list[FruitModel]) -> None:
    for model in peppers:
        count = len(model.vertices)
        assert model.vertices.dtype == np.float64
        assert model.faces.dtype == np.int32
        assert model.face_part.dtype == model.vertex_blemish.dtype == np.uint8
        assert model.vertex_reflectance.dtype == model.vertex_ripeness.dtype == np.float32
        assert model.vertex_reflectance.shape == (count, 3)
        assert len(model.vertex_ripeness) == len(model.vertex_blemish) == count
        assert len(model.face_part) == len(model.faces)
        assert 15_000 <= len(model.faces) <= 40_000
        assert np.isfinite(model.vertices).all()
        assert model.vertex_reflectance.min() >= 0
        assert model.vertex_reflectance.max() <= 1
        assert model.faces.max() == count - 1


def test_sizes_stay_in_the_range_of_sweet_peppers(peppers: list[FruitModel]) -> None:
    for model in peppers:
        body = part(model, BODY).vertices
        flat = body[:, :2]
        across = pdist(flat[ConvexHull(flat).vertices]).max()
        assert 55 - 1e-6 <= across <= 110 + 1e-6
        assert 50 - 1e-6 <= np.ptp(body[:, 2]) <= 150 + 1e-6
        assert np.allclose(body.min(axis=0) + body.max(axis=0), 0, atol=1e-6)
        if len(part(model, STEM).faces):
            assert part(model, STEM).vertices[:, 2].max() > 0.6 * body[:, 2].max()


@pytest.mark.parametrize("kind", KINDS)
def test_a_wished_size_is_met_exactly(kind: str) -> None:
    model = make_fruit(np.random.default_rng(3), "red", kind=kind, diameter_mm=76.2, length_mm=88.9, stem="stub")
    body = part(model, BODY).vertices
    flat = body[:, :2]
    assert pdist(flat[ConvexHull(flat).vertices]).max() == pytest.approx(76.2, abs=1e-6)
    assert np.ptp(body[:, 2]) == pytest.approx(88.9, abs=1e-6)


def test_calyx_hugs_the_shoulder(peppers: list[FruitModel]) -> None:
    """Each calyx lies on the body: its underside in the skin, no point of it floats farther than tips can curl."""
    for model in peppers:
        body, calyx = part(model, BODY), part(model, CALYX).vertices
        assert calyx[:, 2].min() > 0
        nearest = trimesh.proximity.ProximityQuery(body).vertex(calyx)[0]
        # 2.2 mm thick, 2 mm curl, 0.25 mm crease, and half an edge (about 1 mm) from skin to the nearest vertex.
        assert nearest.max() < 6.0


def test_ripeness_is_the_place_between_unripe_and_ripe_in_cielab(peppers: list[FruitModel]) -> None:
    """Checked with colour-science's CIELAB (CIE 15, D65), not with the generator's own."""
    white = colour.CCS_ILLUMINANTS["CIE 1931 2 Degree Standard Observer"]["D65"]

    def outside_ab(reflectance: np.ndarray) -> np.ndarray:
        xyz = colour.RGB_to_XYZ(reflectance, "sRGB", white, apply_cctf_decoding=False)
        return colour.XYZ_to_Lab(xyz, white)[..., 1:]

    for model in peppers:
        index, _ = body_weights(model)
        unripe, ripe = (outside_ab(np.array(model.notes[f"{end}_reflectance"])) for end in ("unripe", "ripe"))
        skin = outside_ab(model.vertex_reflectance[index])
        line = ripe - unripe
        expected = np.clip((skin - unripe) @ line / (line @ line), 0, 1)
        # Four-digit against longer matrices: under 0.2 in a*, b* on a line at least 15 long.
        assert np.abs(expected - model.vertex_ripeness[index]).max() < 0.015
        nearer_ripe = np.linalg.norm(skin - ripe, axis=1) < np.linalg.norm(skin - unripe, axis=1)
        clear = np.abs(expected - 0.5) > 0.015
        assert (nearer_ripe == (model.vertex_ripeness[index] > 0.5))[clear].all()


def test_ends_are_far_enough_apart_to_be_told() -> None:
    for ends in SKINS.values():
        ab = lab(mixed_reflectance(np.stack(ends)))[:, 1:]
        assert np.linalg.norm(ab[1] - ab[0]) > 10


# Every pattern at a small and a large share; the ends of the scale where skin is left out by place and by grain.
SHARES = [(pattern, amount) for pattern in PATTERNS for amount in (0.15, 0.6)]
SHARES += [(pattern, amount) for pattern in ("front", "mottled") for amount in (0.0, 1.0)]


@pytest.mark.parametrize(("pattern", "amount"), SHARES)
def test_the_wished_share_is_not_fully_coloured(pattern: str, amount: float) -> None:
    model = make_fruit(np.random.default_rng(8), "red", amount=amount, pattern=pattern, blemishes=False)
    index, weight = body_weights(model)
    share = weight[index] @ (model.vertex_ripeness[index] < 0.5) / weight[index].sum()
    # The wish holds for the skin beside the calyx; the calyx covers under a tenth of the whole.
    assert abs(share - amount) < 0.08
    assert model.notes["amount"] == pytest.approx(amount, abs=0.01)


def test_observer_and_light_agree_with_the_cie_tables() -> None:
    """Against the tabled CIE 1931 observer and D65 in colour-science: the analytic observer is close."""
    amounts = np.concatenate([np.stack(ends) for ends in SKINS.values()])
    q = amounts @ PIGMENTS
    spectra = 1 + q - np.sqrt(q * q + 2 * q)
    own = lab(np.clip(spectra @ TO_LINEAR_SRGB, 0, 1))
    cmfs = colour.MSDS_CMFS["CIE 1931 2 Degree Standard Observer"]
    light = colour.SDS_ILLUMINANTS["D65"]
    weights = np.array([cmfs[w] * light[w] for w in WAVELENGTH])
    xyz = spectra @ weights / weights[:, 1].sum()
    white = weights.sum(axis=0) / weights[:, 1].sum()
    tabled = colour.XYZ_to_Lab(xyz, colour.XYZ_to_xy(white))
    # Ten-nanometre steps, and saturated skins clipped to sRGB: a few units; invented skins need no more.
    assert np.abs(own - tabled).max() < 8
    assert np.abs(own - tabled).mean() < 2


def test_the_same_seed_gives_the_same_pepper_and_another_seed_another() -> None:
    first, again, other = (make_fruit(np.random.default_rng(seed), "orange") for seed in (5, 5, 6))
    assert np.array_equal(first.vertices, again.vertices)
    assert np.array_equal(first.vertex_reflectance, again.vertex_reflectance)
    assert np.array_equal(first.vertex_blemish, again.vertex_blemish)
    assert first.notes["diameter_mm"] != other.notes["diameter_mm"]


def test_blemishes_occur_and_can_be_left_out() -> None:
    kinds: set[int] = set()
    for seed in (0, 7):  # by trial: the first has two kinds, the second the third
        kinds |= set(np.unique(make_fruit(np.random.default_rng(seed), "red").vertex_blemish).tolist())
    assert kinds == {0, 1, 2, 3}
    clean = make_fruit(np.random.default_rng(2), "red", blemishes=False)
    assert not clean.vertex_blemish.any()


def test_a_pepper_takes_little_time() -> None:
    spent = []
    for seed in (31, 32, 33):
        start = time.process_time()
        make_fruit(np.random.default_rng(seed), "yellow")
        spent.append(time.process_time() - start)
    assert min(spent) < 1.5


@pytest.mark.parametrize(
    ("name", "wishes"),
    [
        ("blue", {}),
        ("red", {"amount": 1.2}),
        ("red", {"kind": "square"}),
        ("red", {"stem": "long"}),
        ("red", {"pattern": "dots"}),
    ],
)
def test_what_cannot_be_made_is_refused(name: str, wishes: dict[str, object]) -> None:
    with pytest.raises(ValueError, match=r"must be one of|must be stem|share of the skin"):
        make_fruit(np.random.default_rng(1), name, **wishes)  # type: ignore[arg-type]
