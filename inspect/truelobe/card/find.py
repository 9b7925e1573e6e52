"""Find the card in a photo: markers at reduced size, saddle points at full size, then everything printed on it.

The markers only say where to look. The geometry comes from the chessboard's saddle points, which blur does not
move, while isolated dark corners are pulled inward by it.
"""

from __future__ import annotations

from collections import Counter
from dataclasses import dataclass
from functools import lru_cache
from typing import Any

import cv2
import numpy as np
from numpy.typing import NDArray

from truelobe.card import faults
from truelobe.card.layout import CardLayout, Charuco, dictionary, layouts, marker_bits
from truelobe.card.patches import black_and_white, read_patches
from truelobe.card.plane import Plane, fit_plane
from truelobe.card.sampling import sample
from truelobe.card.sharpness import edge_spread
from truelobe.card.sighting import CardSighting
from truelobe.photo import Photo

# Longest side searched, px; the next is tried when one fails, the last for blurred photos, which are sharper small
_SEARCH_SIDES = (1500, 2800, 10_000, 700)
_ENOUGH_MARKERS = 4
_NEAR_PX = 4.0  # at search size: four times the scatter of unrefined marker corners
_SMALLEST_MARKER_PX = 10.0
_OUTLIER = 6.0  # robust standard deviations
_ROUNDS, _SETTLED_PX = 6, 0.1
_SOFTEN_PX = 0.8
_LIKE, _APART = 0.7, 0.1  # correlations; two markers of the dictionary differ in 4 of 16 cells, 0.2 or more


@dataclass(frozen=True)
class _Markers:
    """Detected markers: ids (M,), corners (M, 4, 2) in full-size pixels, and the size of a search pixel."""

    ids: NDArray[np.int_]
    corners: NDArray[np.float64]
    step: int


@dataclass(frozen=True)
class _Match:
    """One layout laid over the markers."""

    layout: CardLayout
    plane: Plane
    markers: int
    bent: int
    doubled: bool


@dataclass(frozen=True)
class _Corners:
    """Saddle points seen: which of the board's, and where."""

    index: NDArray[np.int_]
    px: NDArray[np.float64]


@dataclass(frozen=True)
class _Found:
    """A layout measured in the picture, and what its code markers say."""

    match: _Match
    plane: Plane
    corners: _Corners
    digits: list[int | None]


def find_card(photo: Photo) -> CardSighting:
    """Find the scale card.

    Parameters
    ----------
    photo : Photo

    Returns
    -------
    CardSighting
        With flags for what is doubtful; whatever can still be measured is not refused.

    Raises
    ------
    TruelobeError
        ``card-not-found``, ``card-cut-off``, ``card-hidden``, ``card-folded``, ``card-unknown-edition``.
    """
    grey: NDArray[np.uint8] = np.asarray(cv2.cvtColor(photo.pixels, cv2.COLOR_RGB2GRAY), dtype=np.uint8)
    found = _identify(grey, _search(grey, photo.size_px), photo.size_px)
    layout, plane, corners = found.match.layout, found.plane, found.corners
    outline = plane.project(layout.outline_mm)
    seen_mm = layout.charuco.corners_mm[corners.index]
    messages = faults.check_view(layout, seen_mm, outline, photo.size_px)
    residuals = corners.px - plane.project(seen_mm)
    sd = float(np.sqrt((residuals**2).sum() / (residuals.size - 9)))
    if layout.code.read(found.digits) is None:
        messages += (faults.PRINT_UNREAD,)
    if found.match.doubled:
        messages += (faults.TWO_CARDS,)
    blur_px, blur_mm = edge_spread(grey, layout.charuco, plane, corners.index)
    messages += faults.check_flat(residuals, plane.px_per_mm(seen_mm), found.match.bent, blur_px, blur_mm)
    patches, patch_messages = read_patches(photo, grey, layout, plane, blur_mm)
    colourless = black_and_white(layout, patches)
    messages += faults.check_size(layout, outline) + faults.check_blur(blur_px, blur_mm) + patch_messages
    messages += faults.check_exposure(patches) + faults.check_light(layout, patches)
    messages += (faults.NO_COLOUR,) if colourless else ()
    return CardSighting(
        layout=layout,
        print_number=layout.code.read(found.digits),
        corners_mm=seen_mm,
        corners_px=corners.px,
        corner_sd_px=max(sd, 0.01),
        outline_px=outline,
        patches=patches,
        black_and_white=colourless,
        plane=plane,
        blur_px=blur_px,
        messages=messages,
    )


# ---------------------------------------------------------------- where it is


def _search(grey: NDArray[np.uint8], size_px: tuple[int, int]) -> list[_Match]:
    """Look for the markers of every known edition, from coarse to fine; best match first."""
    best: list[_Match] = []
    pieces: list[NDArray[np.float64]] = []
    for step in dict.fromkeys(max(1, round(max(grey.shape) / side)) for side in _SEARCH_SIDES):
        for layout in layouts():
            markers = _detect(grey, step, layout.charuco.dictionary)
            match = _match(layout, markers, size_px)
            best += [match] if match else []
            pieces += _piece(layout, markers)
        best.sort(key=lambda match: match.markers, reverse=True)
        if best and best[0].markers >= _ENOUGH_MARKERS:
            break
    if best:
        return best
    raise faults.too_little_seen(pieces[0], size_px) if pieces else faults.not_found()


def _piece(layout: CardLayout, markers: _Markers) -> list[NDArray[np.float64]]:
    """Return about where the card's outer corners are, when two markers tell of a card but no more can be seen."""
    board = layout.charuco.markers_mm
    known = np.flatnonzero(markers.ids < len(board))
    for one in known:
        matrix = cv2.getPerspectiveTransform(
            board[markers.ids[one]].astype(np.float32), markers.corners[one].astype(np.float32)
        )
        for other in known:
            there = cv2.perspectiveTransform(board[markers.ids[other]].reshape(-1, 1, 2), matrix).reshape(4, 2)
            size = float(np.ptp(markers.corners[other], axis=0).max())
            near = float(np.abs(there.mean(axis=0) - markers.corners[other].mean(axis=0)).max()) < size / 2
            if markers.ids[one] != markers.ids[other] and near:
                outline = cv2.perspectiveTransform(layout.outline_mm.reshape(-1, 1, 2), matrix).reshape(4, 2)
                return [outline.astype(np.float64)]
    return []


@lru_cache(maxsize=32)
def _detector(book: str, smallest_px: float, longest_px: int) -> Any:
    options = cv2.aruco.DetectorParameters()
    options.cornerRefinementMethod = cv2.aruco.CORNER_REFINE_NONE
    options.minMarkerPerimeterRate = 4 * smallest_px / longest_px
    options.adaptiveThreshWinSizeMin, options.adaptiveThreshWinSizeMax = 7, 23
    options.adaptiveThreshWinSizeStep = 16
    return cv2.aruco.ArucoDetector(dictionary(book), options)


def _detect(grey: NDArray[np.uint8], step: int, book: str) -> _Markers:
    small: NDArray[Any] = grey
    if step > 1:  # whole steps: several times faster than others
        whole = grey[: grey.shape[0] // step * step, : grey.shape[1] // step * step]
        shape = (whole.shape[1] // step, whole.shape[0] // step)
        small = np.asarray(cv2.resize(whole, shape, interpolation=cv2.INTER_AREA))
    corners, ids, _ = _detector(book, _SMALLEST_MARKER_PX, max(small.shape)).detectMarkers(small)
    if ids is None or not len(corners):
        return _Markers(np.zeros(0, int), np.zeros((0, 4, 2)), step)
    places = np.stack([np.reshape(corner, (4, 2)) for corner in corners]).astype(float)
    return _Markers(np.ravel(ids).astype(int), (places + 0.5) * step - 0.5, step)


def _match(layout: CardLayout, markers: _Markers, size_px: tuple[int, int]) -> _Match | None:
    """Lay a layout's board over the markers; None unless three of them agree."""
    board = layout.charuco.markers_mm
    known = markers.ids < len(board)
    ids, corners = markers.ids[known], markers.corners[known]
    if len(ids) < 3:
        return None
    near = _NEAR_PX * markers.step
    source, target = board[ids].reshape(-1, 2), corners.reshape(-1, 2)
    matrix: Any = cv2.findHomography(source, target, cv2.RANSAC, near)[0]
    if matrix is None:
        return None
    first = cv2.perspectiveTransform(source.reshape(-1, 1, 2), matrix).reshape(-1, 4, 2)
    off = np.abs(first - corners).max(axis=(1, 2))
    fits = off < 2 * near
    if len(set(ids[fits].tolist())) < 3:
        return None
    plane = fit_plane(board[ids[fits]].reshape(-1, 2), corners[fits].reshape(-1, 2), size_px)
    extent = float(np.ptp(plane.project(layout.outline_mm), axis=0).max())
    spare = ids[~fits]
    bent = int(((off[~fits] < 0.15 * extent) & ~np.isin(spare, ids[fits])).sum())
    twice = [marker for marker, count in Counter(ids.tolist()).items() if count > 1]
    return _Match(layout, plane, int(fits.sum()), bent, len(twice) >= 3)


# ---------------------------------------------------------------- which one it is


def _identify(grey: NDArray[np.uint8], matches: list[_Match], size_px: tuple[int, int]) -> _Found:
    """Measure the saddle points, then choose the edition that the code markers name."""
    foreign, unread = False, None
    for match in matches:
        corners, plane = _refine(grey, match, size_px)
        digits = read_code(grey, match.layout, plane)
        found = _Found(match, plane, corners, digits)
        if match.layout.code.read(digits) is None:
            unread = unread or found
        elif digits[0] == match.layout.edition_index:
            return found
        else:
            foreign = True
    if unread is None or foreign:
        raise faults.unknown_edition()
    return unread


def read_code(grey: NDArray[np.uint8], layout: CardLayout, plane: Plane) -> list[int | None]:
    """Read the five code markers where they must be: the digit whose marker looks most like the cells seen.

    Returns
    -------
    list of int or None
        Edition, the digits of the print number, check; None where a marker cannot be read.
    """
    code, book = layout.code, layout.charuco.dictionary
    shapes = np.stack([_standard(marker_bits(book, code.first_id + digit)) for digit in range(code.base)])
    cells = marker_bits(book, code.first_id).shape[0]
    offsets = (np.arange(cells)[:, None] + np.array([0.3, 0.5, 0.7])).ravel() / cells  # 3 points a cell
    x, y = np.meshgrid(offsets, offsets)
    digits: list[int | None] = []
    for corners in code.places_mm:
        points = corners[0] + code.marker_mm * np.stack([x, y], axis=-1)
        seen = sample(grey, plane.project(points)).reshape(cells, 3, cells, 3).mean(axis=(1, 3))
        likeness = shapes @ _standard(seen)
        first, second = np.sort(likeness)[:-3:-1]
        clear = first > _LIKE and first - second > _APART
        digits.append(int(np.argmax(likeness)) if clear else None)
    return digits


def _standard(cells: NDArray[Any]) -> NDArray[np.float64]:
    """Cells as a vector of mean 0 and length 1, so that products are correlations."""
    vector = cells.astype(float).ravel() - float(cells.mean())
    return np.asarray(vector / max(float(np.linalg.norm(vector)), 1e-9))


# ---------------------------------------------------------------- exactly where


def _refine(grey: NDArray[np.uint8], match: _Match, size_px: tuple[int, int]) -> tuple[_Corners, Plane]:
    """Measure the saddle points from a first plane; a better plane finds those that the first one missed."""
    board, plane = match.layout.charuco, match.plane
    corners = _Corners(np.zeros(0, int), np.zeros((0, 2)))
    for _ in range(_ROUNDS):
        before = corners
        corners = _saddle_points(grey, board, plane)
        if len(corners.index) < faults.FEWEST_CORNERS:
            break
        plane = fit_plane(board.corners_mm[corners.index], corners.px, size_px)
        if np.array_equal(before.index, corners.index) and np.abs(before.px - corners.px).max() < _SETTLED_PX:
            break
    if len(corners.index) < faults.FEWEST_CORNERS:
        raise faults.too_little_seen(plane.project(match.layout.outline_mm), size_px)
    off = np.linalg.norm(corners.px - plane.project(board.corners_mm[corners.index]), axis=1)
    keep = off < _OUTLIER * 1.4826 * max(float(np.median(off)), 0.02)
    if 0 < (~keep).sum() <= 2:  # a stain or a highlight; more than two is a bend, which must stay in sight
        corners = _Corners(corners.index[keep], corners.px[keep])
        plane = fit_plane(board.corners_mm[corners.index], corners.px, size_px)
    return corners, plane


def _saddle_points(grey: NDArray[np.uint8], board: Charuco, plane: Plane) -> _Corners:
    height, width = grey.shape
    expected = plane.project(board.corners_mm)
    # a marker begins this far from the saddle point; the search must not reach it
    clear = 0.85 * (board.square_mm - board.marker_mm) / 2
    stretch = plane.stretch(board.corners_mm)
    finest = np.linalg.svd(stretch, compute_uv=False)[:, 0]
    reach = np.clip(clear * finest, 3, 16).astype(int)
    inside = (expected > 3) & (expected < np.array([width, height]) - 4)
    index, places = [], []
    for i in np.flatnonzero(inside.all(axis=1)):
        to_px = stretch[i] * clear / reach[i]  # one pixel of the upright patch, in picture pixels
        shift = _saddle_offset(grey, expected[i], to_px, int(reach[i]))
        if shift is not None:
            index.append(int(i))
            places.append(expected[i] + to_px @ shift)
    corners = _Corners(np.asarray(index, int), np.asarray(places, float).reshape(-1, 2))
    real = _look_like_saddles(grey, board, plane, corners)
    return _Corners(corners.index[real], corners.px[real])


def _saddle_offset(
    grey: NDArray[np.uint8], centre: NDArray[np.float64], to_px: NDArray[np.float64], reach: int
) -> NDArray[np.float64] | None:
    """Find a saddle point in a patch turned upright and unforeshortened, so that a tilt costs no accuracy."""
    half = 2 * reach + 2
    line = np.arange(-half, half + 1, dtype=float)
    grid = np.stack(np.meshgrid(line, line), axis=-1)
    # a sharp edge along the pixel rows says little about where in the pixel it lies; a soft one does
    patch = cv2.GaussianBlur(sample(grey, centre + grid @ to_px.T), (0, 0), _SOFTEN_PX)
    criteria = (cv2.TERM_CRITERIA_EPS + cv2.TERM_CRITERIA_MAX_ITER, 40, 1e-3)
    first = np.full((1, 1, 2), half, np.float32)
    found = cv2.cornerSubPix(patch, first, (reach, reach), (-1, -1), criteria).reshape(2).astype(float) - half
    return None if np.abs(found).max() >= reach else found


def _look_like_saddles(
    grey: NDArray[np.uint8], board: Charuco, plane: Plane, corners: _Corners
) -> NDArray[np.bool_]:
    """Tell which points have dark and light where the board has them: what covers a corner looks otherwise."""
    if not len(corners.index):
        return np.zeros(0, bool)
    mm = board.corners_mm[corners.index]
    reach = 0.7 * (board.square_mm - board.marker_mm) / 2
    diagonals = reach * np.array([[-1, -1], [1, 1], [1, -1], [-1, 1]])
    shift = (corners.px - plane.project(mm))[:, None, :]
    seen = sample(grey, plane.project(mm[:, None, :] + diagonals) + shift)
    one, other = seen[:, :2], seen[:, 2:]
    dark_first = board.corner_dark_diagonal[corners.index][:, None]
    dark, light = np.where(dark_first, one, other), np.where(dark_first, other, one)
    contrast = light.min(axis=1) - dark.max(axis=1)
    result: NDArray[np.bool_] = contrast > max(0.3 * float(np.median(contrast)), 6.0)  # 6 levels: above noise
    return result
