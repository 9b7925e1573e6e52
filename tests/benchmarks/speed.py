"""How long each step takes, as a multiple of decoding the same 12-megapixel JPEG with Pillow, and the peak memory.

The photo is a made plate of five peppers, enlarged, with a sensor's mild noise. Everything runs in this process,
one step after the other, and all of it again and again, so that a machine that is slower for a while is slower for
all; the median counts. Outlines, and the whole, share their peppers out over two cores, so by the clock the whole
takes less than its steps. The start of the program is timed apart.
"""

import io
import os
import statistics
import subprocess
import sys
import tempfile
import time
from collections.abc import Callable, Sequence
from dataclasses import dataclass
from pathlib import Path

import numpy as np
from numpy.typing import NDArray
from PIL import Image
from tests.benchmarks.truths import read_truth

from truelobe.camera import shifted_views, view_from_card
from truelobe.card import UNMEASURED, CardSighting, find_card
from truelobe.colour import Coverage, correct_from_card, load_references, measure_coverage
from truelobe.data import data_path
from truelobe.fruit import Silhouette, find_fruit, model_name
from truelobe.fruit.bearing import read_bearing
from truelobe.fruit.form import measure_form
from truelobe.fruit.ground import ground_between
from truelobe.fruit.measure import ViewErrors, measure_size
from truelobe.fruit.pose import find_stance
from truelobe.fruit.skin import SkinMap, map_skin
from truelobe.inspection import inspect_plate
from truelobe.photo import Photo, read_photo
from truelobe.pointing import point_out
from truelobe.setting import FLOOR_MM

REPEATS = 9
PEPPERS = 5
SIZES_MP = {12: (4000, 3000), 50: (8165, 6124)}
NOISE_LEVELS = 1.5
MEMORY_CHILD = (
    "import resource, sys; from pathlib import Path; from truelobe.inspection import inspect_plate; "
    "from truelobe.side_by_side import one_core_each; one_core_each(); "
    "r = inspect_plate(Path(sys.argv[1])); "
    "print(r.status, len(r.peppers), resource.getrusage(resource.RUSAGE_SELF).ru_maxrss // 1024)"
)


@dataclass(frozen=True)
class Timing:
    """Seconds of one step: by the clock, and of this process's processors."""

    name: str
    wall: float
    cpu: float


REST = "all else"


def run() -> list[Timing]:
    """Time every step, print the table, and return it; what no listed step took stands before the whole."""
    source = five_peppers()
    with tempfile.TemporaryDirectory() as folder:
        photo = Path(folder, "12.jpg")
        photo.write_bytes(enlarged(source, SIZES_MP[12]))
        timings = time_steps(photo.read_bytes())
        decode = timings[0]
        print(f"{source.name} enlarged to 12 megapixels, {PEPPERS} peppers, median of {REPEATS}")
        print(f"{'':22}{'wall s':>8}{'x decode':>10}{'CPU s':>8}{'x decode':>10}")
        for one in timings:
            wall, cpu = (
                f"{one.wall:8.3f}{one.wall / decode.wall:10.2f}",
                f"{one.cpu:8.3f}{one.cpu / decode.cpu:10.2f}",
            )
            print(f"{one.name:22}{wall}{cpu}")
        print(f"program start: {_start():.2f} s; load of the machine {os.getloadavg()[0]:.1f} on {os.cpu_count()}")
        for megapixels, size in SIZES_MP.items():
            photo.write_bytes(enlarged(source, size))
            print(f"{megapixels} megapixels: {_memory(photo)}", flush=True)
    return timings


def five_peppers() -> Path:
    """Return the first shipped plate that holds five peppers."""
    for path in sorted(data_path("sample_images", "plates").glob("*.truth.json")):
        truth = read_truth(path)
        if len(truth.peppers) == PEPPERS:
            return truth.photo
    raise FileNotFoundError("no shipped plate holds five peppers")


def enlarged(source: Path, size: tuple[int, int]) -> bytes:
    """Return a larger JPEG of the same picture, in strips so that noise never needs a second copy of it."""
    with Image.open(source) as small:
        exif, profile = small.getexif(), small.info.get("icc_profile")
        if small.height > small.width:
            size = (size[1], size[0])
        pixels = np.array(small.convert("RGB").resize(size, Image.Resampling.BICUBIC))
    draw = np.random.default_rng(1)
    for rows in np.array_split(pixels, 32):
        noisy = rows + draw.normal(0, NOISE_LEVELS, rows.shape).astype(np.float32)
        rows[:] = np.clip(noisy + 0.5, 0, 255).astype(np.uint8)
    kept = io.BytesIO()
    Image.fromarray(pixels).save(kept, "JPEG", quality=93, exif=exif, icc_profile=profile)
    return kept.getvalue()


def time_steps(data: bytes) -> list[Timing]:
    """Time decoding, each step of the chain on its true input, and the whole."""
    photo = read_photo(data)
    sighting = find_card(photo)
    view = view_from_card(sighting, photo, UNMEASURED)
    shifted = shifted_views(view, sighting, photo, UNMEASURED)
    correction = correct_from_card(photo, sighting)
    found = find_fruit(photo.pixels, (sighting.outline_px,))
    rings = [one.outline_px[0] for one in found]
    floor, u_floor = FLOOR_MM[None]
    bearings = [read_bearing(photo.pixels, one) for one in found]
    stances = [find_stance(one, view, floor, bearing=read) for one, read in zip(found, bearings, strict=True)]
    fits = [fit for stance in stances for fit in (stance.fit, stance.other) if fit is not None]
    skins = [map_skin(stance.fit) for stance in stances]
    references = load_references()
    errors = ViewErrors(shifted, floor, u_floor)

    def covered(one: Silhouette, skin: SkinMap) -> Coverage:
        x0, y0, x1, y1 = one.box
        shape = (one.body, one.calyx, one.stem, skin.skin_mm2, skin.facing)
        return measure_coverage(photo.pixels[y0:y1, x0:x1], *shape, correction, references, None)

    seen = list(zip(found, skins, strict=True))
    steps: list[tuple[str, Callable[[], object]]] = [
        ("decode with Pillow", lambda: np.asarray(Image.open(io.BytesIO(data)).convert("RGB"))),
        ("read the photo", lambda: read_photo(data)),
        ("find the card", lambda: find_card(photo)),
        ("camera", lambda: view_from_card(sighting, photo, UNMEASURED)),
        ("camera's errors", lambda: shifted_views(view, sighting, photo, UNMEASURED)),
        ("color correction", lambda: correct_from_card(photo, sighting)),
        ("references", load_references),
        (f"outlines ({len(found)} found)", lambda: find_fruit(photo.pixels, (sighting.outline_px,))),
        ("what the card lies on", lambda: _ground(photo, sighting, rings)),
        ("axes and sizes read", lambda: [read_bearing(photo.pixels, one) for one in found]),
        (
            "bodies",
            lambda: [find_stance(one, view, floor, bearing=r) for one, r in zip(found, bearings, strict=True)],
        ),
        ("skin maps", lambda: [map_skin(stance.fit) for stance in stances]),
        ("coverage", lambda: [covered(*both) for both in zip(found, skins, strict=True)]),
        ("places pointed at", lambda: point_out(photo.pixels, seen, correction)),
        ("sizes and budgets", lambda: [measure_size(fit, errors) for fit in fits]),
        ("forms", lambda: [measure_form(stance) for stance in stances]),
        ("the model's name", model_name),
        ("whole inspection", lambda: inspect_plate(data)),
    ]
    rounds = [[_timed(name, step) for name, step in steps] for _ in range(REPEATS)]
    timings = [_median(same) for same in zip(*rounds, strict=True)]
    decode, *parts, whole = timings
    rest = Timing(REST, whole.wall - sum(x.wall for x in parts), whole.cpu - sum(x.cpu for x in parts))
    return [decode, *parts, rest, whole]


def _ground(photo: Photo, sighting: CardSighting, rings: list[NDArray[np.float64]]) -> object:
    return ground_between(photo.pixels, sighting.outline_px, sighting.layout.size_mm, rings)


def _timed(name: str, step: Callable[[], object]) -> Timing:
    wall, processor = time.perf_counter(), time.process_time()
    step()
    return Timing(name, time.perf_counter() - wall, time.process_time() - processor)


def _median(same: Sequence[Timing]) -> Timing:
    walls, processors = [one.wall for one in same], [one.cpu for one in same]
    return Timing(same[0].name, statistics.median(walls), statistics.median(processors))


def _start() -> float:
    begun = time.perf_counter()
    _child("import truelobe.inspection")
    return time.perf_counter() - begun


def _memory(photo: Path) -> str:
    status, count, megabytes = _child(MEMORY_CHILD, str(photo)).split()
    return f"{status}, {count} peppers, peak memory {megabytes} MB"


def _child(program: str, *words: str) -> str:
    root = data_path("sample_images").parent
    paths = os.pathsep.join([str(root / "inspect"), os.environ.get("PYTHONPATH", "")])
    done = subprocess.run(
        [sys.executable, "-c", program, *words],
        env=os.environ | {"PYTHONPATH": paths},
        capture_output=True,
        text=True,
        check=True,
    )
    return done.stdout
