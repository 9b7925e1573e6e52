"""The correction against cameras, prints and lights of known making."""

from __future__ import annotations

import json
from dataclasses import replace

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from tests.colour.colour_scenes import SKINS, Camera, FakePhoto, FakeSighting, make_layout, see, without

from truelobe.colour import ColourCorrection, correct_from_card, delta_e_2000, lab_to_linear, linear_to_lab
from truelobe.colour.curve import tame, unbend
from truelobe.colour.patches import CardSighting
from truelobe.colour.spaces import P3_TO_SRGB, decode, encode

pytestmark = pytest.mark.opencv

SKIN_LAB = np.array(list(SKINS.values()), dtype=float)
CAMERAS = {
    "faithful": Camera(),
    "warm and dark": Camera(gain=(0.75, 0.6, 0.4)),
    "gamma up": Camera(gain=(0.7, 0.7, 0.6), gamma=1.2),
    "gamma down": Camera(gain=(0.7, 0.7, 0.6), gamma=0.85),
    "s-curve": Camera(gain=(0.8, 0.7, 0.6), contrast=0.3),
    "glare": Camera(gain=(0.7, 0.8, 0.55), glare=0.02),
    "noisy": Camera(gain=(0.8, 0.8, 0.8), noise=0.02),
}


def photographed(camera: Camera) -> np.ndarray:
    return np.rint(replace(camera, noise=0.0).expose(lab_to_linear(SKIN_LAB)) * 255).astype(np.uint8)


def skin_error(camera: Camera, correction: ColourCorrection) -> np.ndarray:
    return correction.to_lab(photographed(camera)).astype(float) - SKIN_LAB


@pytest.mark.parametrize("name", CAMERAS)
def test_a_true_print_gives_true_skin(name: str) -> None:
    camera = CAMERAS[name]
    correction = correct_from_card(FakePhoto(), see(camera))
    wrong = delta_e_2000(correction.to_lab(photographed(camera)), SKIN_LAB)
    # Bytes cost up to 0.5; the three-number curve is not the camera's own curve and may miss it by one unit of L*.
    assert wrong.max() < 2.0
    assert correction.form in ("3x3", "3x4")
    assert not [m for m in correction.messages if m.severity != "note" and m.code != "colour-clipped"]


def test_correction_beats_bytes_read_as_they_stand() -> None:
    camera = CAMERAS["warm and dark"]
    read = linear_to_lab(decode(photographed(camera) / 255))
    corrected = correct_from_card(FakePhoto(), see(camera, print_error=1.0, seed=4)).to_lab(photographed(camera))
    assert delta_e_2000(corrected, SKIN_LAB).mean() < 0.4 * delta_e_2000(read, SKIN_LAB).mean()


def test_stated_uncertainty_of_skin_matches_misprinted_cards() -> None:
    # Prints wrong by their stated uncertainty, half of its variance in common: the spread of the errors of a* and
    # b* over prints must be what the correction says of itself (camera and light parts taken out of the sum).
    camera = CAMERAS["warm and dark"]
    rng = np.random.default_rng(1)
    errors, stated = [], []
    for seed in range(24):
        cast = rng.normal(0, np.sqrt(0.5) * 2.5 / np.sqrt(3), 3)
        correction = correct_from_card(FakePhoto(), see(camera, print_error=0.9, cast=cast, seed=seed))
        errors.append(skin_error(camera, correction)[:, 1:])
        draws = correction.draws(40, np.random.default_rng(seed), ("patches",)).to_lab(photographed(camera))
        stated.append(draws[..., 1:].var(axis=0))
    actual = float(np.sqrt(np.mean(np.square(errors))))
    assert actual == pytest.approx(float(np.sqrt(np.mean(stated))), rel=0.3)


def test_leave_one_out_error_is_about_the_misprint() -> None:
    errors = []
    for seed in range(8):
        sighting = see(CAMERAS["gamma up"], print_error=1.0, seed=seed)
        errors.append(correct_from_card(FakePhoto(), sighting).leave_one_out_de00)
    # Misprints of 2.5 (greys) and 5 CIEDE2000 (colors) over three axes have a mean length of 0.92 of that.
    assert 2.0 < float(np.mean(errors)) < 5.0


def test_one_wrong_patch_hardly_matters() -> None:
    camera = CAMERAS["gamma up"]
    sighting = see(camera)
    patches = list(sighting.patches)
    index = next(i for i, p in enumerate(patches) if p.name == "yellow")
    glossy = type(patches[index])("yellow", patches[index].linear * 0.6 + 0.35, patches[index].sd, 400, False)
    patches[index] = glossy
    bad = FakeSighting(sighting.layout, tuple(patches))
    correction = correct_from_card(FakePhoto(), bad)
    assert "yellow" in correction.patches_doubted
    assert delta_e_2000(correction.to_lab(photographed(camera)), SKIN_LAB).max() < 2.5


def test_uneven_light_is_measured_and_said() -> None:
    camera = Camera(gain=(0.6, 0.6, 0.6), gradient=(0.35, 0.0))
    correction = correct_from_card(FakePhoto(), see(camera, print_error=0.5))
    assert correction.greys.unevenness == pytest.approx(np.exp(0.7), rel=0.1)
    assert "light-uneven" in {m.code for m in correction.messages}
    calm = correct_from_card(FakePhoto(), see(Camera(gain=(0.6, 0.6, 0.6)), print_error=1.0))
    assert "light-uneven" not in {m.code for m in calm.messages}


def test_mixed_light_is_said_and_misprints_are_not_taken_for_it() -> None:
    mixed = correct_from_card(FakePhoto(), see(Camera(gain=(0.7, 0.7, 0.7), tint=0.5), print_error=0.5))
    assert "light-mixed" in {m.code for m in mixed.messages}
    for seed in range(8):
        plain = correct_from_card(FakePhoto(), see(Camera(gain=(0.7, 0.7, 0.7)), print_error=1.0, seed=seed))
        assert "light-mixed" not in {m.code for m in plain.messages}


def test_a_wide_gamut_photo_gives_the_same_skin() -> None:
    # The same light, encoded in Display P3 primaries; readings arrive in linear sRGB all the same.
    camera, layout = Camera(gain=(0.7, 0.75, 0.6), gamma=1.1), make_layout()
    to_p3 = np.linalg.inv(P3_TO_SRGB)
    readings = []
    for reading, patch in zip(see(camera).patches, layout.patches, strict=True):
        signal = camera.expose(lab_to_linear(np.array(patch.lab)) @ to_p3.T)
        light = decode(np.rint(signal * 255) / 255) @ P3_TO_SRGB.T
        readings.append(type(reading)(reading.name, light, reading.sd, 400, False))
    correction = correct_from_card(FakePhoto(P3_TO_SRGB), FakeSighting(layout, tuple(readings)))
    pixels = np.rint(camera.expose(lab_to_linear(SKIN_LAB) @ to_p3.T) * 255).astype(np.uint8)
    assert delta_e_2000(correction.to_lab(pixels), SKIN_LAB).max() < 1.5


def test_a_black_and_white_print_corrects_greys_only() -> None:
    camera = Camera(gain=(0.8, 0.65, 0.5), gamma=1.1)
    seen = see(camera)
    correction = correct_from_card(FakePhoto(), FakeSighting(seen.layout, seen.patches, black_and_white=True))
    assert correction.form == "greys only"
    assert "colour-greys-only" in {m.code for m in correction.messages}
    assert correction.u_ab > correct_from_card(FakePhoto(), seen).u_ab
    greys = lab_to_linear(np.array([[80.0, 0, 0], [50.0, 0, 0], [30.0, 0, 0]]))
    lab = correction.to_lab(np.rint(camera.expose(greys) * 255).astype(np.uint8))
    assert np.abs(lab[:, 1:]).max() < 1.5


def test_clipped_patches_are_left_out_and_said() -> None:
    correction = correct_from_card(FakePhoto(), see(Camera(gain=(1.6, 1.6, 1.6))))
    assert "colour-clipped" in {m.code for m in correction.messages}
    assert "g0l" not in correction.patches_used


NAMES = [patch.name for patch in make_layout().patches]


@settings(max_examples=12, deadline=None)
@given(st.sets(st.sampled_from(NAMES)))
def test_any_set_of_patches_gives_finite_color(gone: set[str]) -> None:
    correction = correct_from_card(FakePhoto(), without(see(CAMERAS["gamma up"]), sorted(gone)))
    assert np.isfinite(correction.to_lab(np.array([[[0, 0, 0], [255, 255, 255], [200, 30, 30]]], np.uint8))).all()
    assert correction.u_ab > 0
    json.dumps(correction.document(), allow_nan=False)


def test_no_patches_is_said() -> None:
    correction = correct_from_card(FakePhoto(), without(see(Camera()), NAMES))
    assert correction.form == "none"
    assert [m.code for m in correction.messages] == ["colour-uncorrected"]
    pixel = np.array([[200, 30, 30]], dtype=np.uint8)
    # Read as sRGB: 43.2143 63.0548 45.2261, computed with colour-science 0.4.7.
    assert np.allclose(correction.to_lab(pixel), [[43.2143, 63.0548, 45.2261]], atol=0.05)


def test_draws_move_only_what_is_uncertain() -> None:
    correction = correct_from_card(FakePhoto(), see(CAMERAS["gamma up"], print_error=1.0))
    pixels = photographed(CAMERAS["gamma up"])
    rng = np.random.default_rng(0)
    still = correction.draws(3, rng, ()).to_lab(pixels)
    assert np.allclose(still, correction.to_lab(pixels), atol=0.01)
    spread = {
        s: correction.draws(60, rng, (s,)).to_lab(pixels)[..., 1:].std(axis=0).mean()
        for s in ("patches", "camera", "light")
    }
    assert min(spread.values()) > 0.3
    everything = correction.draws(60, rng).to_lab(pixels)[..., 1:].std(axis=0).mean()
    assert everything == pytest.approx(float(np.sqrt(sum(v**2 for v in spread.values()))), rel=0.3)


@given(st.floats(-3, 3), st.floats(-3, 3))
def test_curves_never_fall(bend: float, swing: float) -> None:
    shape = tame(np.array([[0.0, bend, swing]] * 3))
    values = unbend(np.repeat(np.linspace(0, 1, 101)[:, None], 3, axis=1), shape)
    assert (np.diff(values, axis=0) >= 0).all()


def test_the_curve_is_the_srgb_curve_when_nothing_bends() -> None:
    values = np.repeat(np.linspace(0, 1, 11)[:, None], 3, axis=1)
    assert np.allclose(encode(unbend(values, np.zeros((3, 3)))), values, atol=1e-9)


def test_the_card_rooms_sighting_fits_the_door() -> None:
    # Structural typing: what the card room hands over is what the fit reads.
    from truelobe.card.layout import load_layout

    layout = load_layout()
    sighting: CardSighting = FakeSighting(layout, ())  # type: ignore[arg-type]
    assert {"name", "lab", "u_de00", "centre_mm"} <= set(dir(sighting.layout.patches[0]))
