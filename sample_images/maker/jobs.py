"""What one process does for one scene, and the loop that keeps many busy and survives a dead one."""

from __future__ import annotations

import json
import os
import queue
import threading
import time
import traceback
from concurrent.futures import ProcessPoolExecutor
from concurrent.futures.process import BrokenProcessPool
from multiprocessing import get_context
from pathlib import Path
from typing import Any

import numpy as np

from .develop import as_record, develop, draw, save
from .forms import any_form
from .fruit_first import make_fruit
from .labels import label
from .plates import SETS, plate_scene
from .render import start, trace, trace_to_learn
from .slopes import slope_views
from .training import outline_record, training_scene
from .truth import plate_truth


def train_one(seed: int, options: dict[str, Any]) -> str:
    """Make one training scene, for both networks; returns its summary."""
    out: Path = options["out"]
    if (out / f"scene_{seed:08d}.npz").exists():  # written last
        return f"{seed} there already"
    began = time.time()
    make = any_form if options["forms"] == "any" else make_fruit
    scene = training_scene(seed, options["size"], options["textures"], make, options["near"], options["spread"])
    labels = label(scene)
    built = time.time()
    radiance, small = trace_to_learn(
        start(options["variant"]), scene, spp=options["spp"], clean=not options["noisy"]
    )
    traced = time.time()
    views = slope_views(scene, labels, radiance)
    _write(out / f"slopes_{seed:08d}.npz", views)
    _write(out / f"scene_{seed:08d}.npz", outline_record(scene, labels, small))
    spent = f"built {built - began:.1f} s, traced {traced - built:.1f} s, all {time.time() - began:.1f} s"
    return f"{seed} {scene.kind} {len(scene.fruit)} fruit, {len(views['weight'])} views, {spent}"


def _write(path: Path, arrays: dict[str, Any]) -> None:
    """Write arrays whole or not at all: a trainer reads the folder while it grows."""
    partial = path.with_suffix(".part")
    with partial.open("wb") as file:
        np.savez(file, **arrays)
    partial.rename(path)


def plate_name(which: str, seed: int, difficulty: str) -> str:
    """File name without ending."""
    return f"{which}-{seed - SETS[which][1] + 1:03d}-{difficulty}"


def plate_one(item: tuple[str, int, str], options: dict[str, Any]) -> str:
    """Trace, develop and describe one plate: NAME.jpg and NAME.truth.json."""
    which, seed, difficulty = item
    name = plate_name(which, seed, difficulty)
    out: Path = options["out"]
    if (out / f"{name}.jpg").exists() and not options["again"]:
        return f"{name} there already"
    began = time.time()
    scene, _ = plate_scene(which, seed, difficulty, options["size"])
    kept = out / f"{name}.radiance.npy"
    if kept.exists():
        radiance = np.load(kept).astype(np.float32)
    else:
        radiance = trace(start(options["variant"]), scene, spp=options["spp"])
    if options["keep_radiance"]:
        np.save(kept, radiance.clip(0, 6e4).astype(np.float16))
    truth = plate_truth(scene)
    rng = np.random.default_rng([seed, 23])
    how = draw(rng, difficulty)
    pixels = develop(radiance, how, rng)
    model, focal = scene.notes["phone"], scene.camera.focal_35mm
    (out / f"{name}.jpg").write_bytes(
        save(pixels, how, kind="jpeg", model=model, focal_35mm=focal, most=options["most"])
    )
    if options["heic"]:
        (out / f"{name}.heic").write_bytes(save(pixels, how, kind="heic", model=model, focal_35mm=focal))
    truth["development"] = as_record(how)
    (out / f"{name}.truth.json").write_text(json.dumps(truth, separators=(",", ":")) + "\n")
    return f"{name} {len(scene.fruit)} peppers, {time.time() - began:.1f} s"


def guarded(job: Any, item: Any, options: dict[str, Any]) -> str:
    """Run a job; a failure becomes a printed trace, so that one bad scene does not stop the others."""
    try:
        return str(job(item, options))
    except Exception:  # noqa: BLE001
        return f"{item} FAILED\n{traceback.format_exc()}"


def run_all(job: Any, items: list[Any], options: dict[str, Any], workers: int) -> int:
    """Run a job over items in worker processes, printing as they finish.

    A worker that dies takes only its own scene with it. Returns the number of items that failed.
    """
    os.environ.setdefault("OMP_NUM_THREADS", "1" if workers > 1 else "2")
    waiting: queue.SimpleQueue[Any] = queue.SimpleQueue()
    for item in items:
        waiting.put(item)
    began, lock, count = time.time(), threading.Lock(), [0, 0]

    def tend() -> None:
        while not waiting.empty():
            with ProcessPoolExecutor(1, mp_context=get_context("spawn")) as pool:
                for _ in range(80):
                    try:
                        item = waiting.get_nowait()
                    except queue.Empty:
                        return
                    try:
                        line = pool.submit(guarded, job, item, options).result()
                    except BrokenProcessPool as problem:
                        line = f"{item} FAILED: the worker died: {problem}"
                    with lock:
                        count[0] += 1
                        count[1] += "FAILED" in line
                        print(f"[{count[0]}/{len(items)} {time.time() - began:.0f} s] {line}", flush=True)
                    if "the worker died" in line:
                        break

    keepers = [threading.Thread(target=tend) for _ in range(min(workers, len(items)))]
    for keeper in keepers:
        keeper.start()
    for keeper in keepers:
        keeper.join()
    return count[1]
