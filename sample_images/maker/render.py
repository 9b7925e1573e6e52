"""From a scene to linear radiance, by the Mitsuba 3 path tracer."""

from __future__ import annotations

from pathlib import Path
from typing import Any

import numpy as np
from numpy.typing import NDArray
from scipy.ndimage import map_coordinates, rank_filter, uniform_filter

from .mesh import vertex_normals
from .optics import Camera, undistort
from .scene import Scene
from .things import Thing

Floats = NDArray[np.floating[Any]]
LLVM = ("/usr/lib/x86_64-linux-gnu/libLLVM.so.19.1", "/usr/lib/x86_64-linux-gnu/libLLVM-19.so")
MARGIN = 24
AT_ONCE = 24_000_000


def start(variant: str) -> Any:
    """Import Mitsuba in the given variant."""
    import os

    if variant.startswith("llvm") and "DRJIT_LIBLLVM_PATH" not in os.environ:
        found = [path for path in LLVM if Path(path).exists()]
        if found:
            os.environ["DRJIT_LIBLLVM_PATH"] = found[0]
    import mitsuba

    mitsuba.set_variant(variant)
    mitsuba.set_log_level(mitsuba.LogLevel.Error)
    return mitsuba


def trace(mi: Any, scene: Scene, *, spp: int, depth: int = 7, clean: bool = False) -> NDArray[np.float32]:
    """The photograph's linear radiance (H, W, 3), lens distortion included.

    Parameters
    ----------
    spp : int
        Samples a pixel.
    clean : bool
        Take out the noise by a small non-local filter steered by albedo and normals.
    """
    picture, margin = _traced(mi, scene, spp, depth)
    radiance = quieten(picture[..., :3], picture[..., 3:6], picture[..., 6:9]) if clean else picture[..., :3]
    return _through_lens(radiance, scene.camera, margin) if margin else radiance


def trace_to_learn(
    mi: Any, scene: Scene, *, spp: int, depth: int = 6, clean: bool = True
) -> tuple[NDArray[np.float32], NDArray[np.float32]]:
    """Linear radiance of a scene without lens distortion (H, W, 3), and the same at half the size, cleaned."""
    picture, margin = _traced(mi, scene, spp, depth)
    if margin:
        raise ValueError("scenes to learn from are seen through a plain lens")
    height, width = picture.shape[:2]
    half = picture.reshape(height // 2, 2, width // 2, 2, -1).mean(axis=(1, 3))
    # Four pixels in one have half the noise already: a smaller reach does.
    return picture[..., :3], quieten(half[..., :3], half[..., 3:6], half[..., 6:9], 2) if clean else half[..., :3]


def _traced(mi: Any, scene: Scene, spp: int, depth: int) -> tuple[NDArray[np.float32], int]:
    """Radiance, albedo and normal (H, W, 9) as a pinhole sees them, and by how many pixels they overhang."""
    camera = scene.camera
    bent = bool(np.any(camera.distortion)) or abs(camera.matrix[0, 2] - (camera.width - 1) / 2) > 1e-9
    margin = MARGIN * max(1, camera.width // 640) if bent else 0
    world = _world(mi, scene, margin, depth)
    pixels = (camera.width + 2 * margin) * (camera.height + 2 * margin)
    return _in_passes(mi, world, spp, scene.seed, pixels), margin


def _in_passes(mi: Any, world: Any, spp: int, seed: int, pixels: int) -> NDArray[np.float32]:
    """Render in passes small enough for many processes on one card."""
    most = max(1, AT_ONCE // pixels)
    total, done = None, 0
    while done < spp:
        step = min(most, spp - done)
        part = np.array(mi.render(world, spp=step, seed=(seed * 1009 + done) % 2**31), dtype=np.float32) * step
        total = part if total is None else total + part
        done += step
    if total is None:
        raise ValueError("at least one sample a pixel")
    if not total[..., :3].any():
        # Seen on a card that many processes share: eleven of 190 plates came out black, and no error was raised.
        raise RuntimeError("the tracer gave a black picture")
    return np.asarray(total / spp, np.float32)


def _world(mi: Any, scene: Scene, margin: int, depth: int) -> Any:
    camera = scene.camera
    width, height = camera.width + 2 * margin, camera.height + 2 * margin
    pose = np.eye(4)
    pose[:3, :3] = camera.rotation.T * [-1, -1, 1]
    pose[:3, 3] = camera.place
    parts: dict[str, Any] = {
        "type": "scene",
        "integrator": {
            "type": "aov",
            "aovs": "albedo:albedo,normal:sh_normal",
            "image": {"type": "path", "max_depth": depth},
        },
        "sensor": {
            "type": "perspective",
            "fov_axis": "x",
            "fov": float(np.degrees(2 * np.arctan(width / 2 / camera.matrix[0, 0]))),
            "near_clip": 5.0,
            "far_clip": 20000.0,
            "to_world": mi.ScalarTransform4f(pose),
            "film": {
                "type": "hdrfilm",
                "width": width,
                "height": height,
                "pixel_format": "rgb",
                "component_format": "float32",
                "rfilter": {"type": "gaussian", "stddev": 0.45},
            },
            "sampler": {"type": "independent"},
        },
        "room": {
            "type": "envmap",
            "bitmap": mi.Bitmap(scene.lighting.room.astype(np.float32)),
            "to_world": mi.ScalarTransform4f().rotate([1, 0, 0], 90),
        },
    }
    for k, panel in enumerate(scene.lighting.panels):
        towards = panel.target - panel.centre
        up = [0, 0, 1] if abs(towards[2]) < 0.95 * np.linalg.norm(towards) else [1, 0, 0]
        place = mi.ScalarTransform4f().look_at(panel.centre.tolist(), panel.target.tolist(), up)
        parts[f"panel{k}"] = {
            "type": "rectangle",
            "to_world": place.scale([panel.width / 2, panel.height / 2, 1]),
            "emitter": {"type": "area", "radiance": {"type": "rgb", "value": panel.radiance.tolist()}},
        }
    painted = [thing for thing in scene.things if thing.texture is None]
    for placed in scene.fruit:
        model = placed.model
        gloss = float(model.notes.get("gloss", 0.28))
        painted.append(
            Thing("fruit", placed.vertices, model.faces, colour=model.vertex_reflectance, roughness=gloss)
        )
    if painted:
        parts["painted"] = _mesh(mi, "painted", *_joined(painted))
    for k, thing in enumerate(thing for thing in scene.things if thing.texture is not None):
        normals = vertex_normals(thing.vertices, thing.faces)
        parts[f"textured{k}"] = _mesh(mi, f"textured{k}", thing, normals, None)
    return mi.load_dict(parts)


def _joined(things: list[Thing]) -> tuple[Thing, Floats, Floats]:
    """All painted things as one mesh, with normals and roughness per vertex.

    One shape with one surface model instead of dozens: the tracer's compilers take seconds for each.
    """
    starts = np.cumsum([0, *(len(thing.vertices) for thing in things)])
    faces = np.concatenate([thing.faces + start for thing, start in zip(things, starts[:-1], strict=True)])
    colour = np.concatenate([thing.colour for thing in things if thing.colour is not None])
    whole = Thing("painted", np.concatenate([thing.vertices for thing in things]), faces, colour=colour)
    rough = np.concatenate([np.full(len(thing.vertices), thing.roughness) for thing in things])
    return whole, np.concatenate([vertex_normals(thing.vertices, thing.faces) for thing in things]), rough


def _mesh(mi: Any, name: str, thing: Thing, normals: Floats, rough: Floats | None) -> Any:
    base: dict[str, Any] = {"type": "mesh_attribute", "name": "vertex_color"}
    roughness: Any = {"type": "mesh_attribute", "name": "vertex_rough"}
    if thing.texture is not None:
        picture = np.ascontiguousarray(thing.texture[::-1], np.float32)
        base = {"type": "bitmap", "bitmap": mi.Bitmap(picture), "raw": True}
        roughness = float(thing.roughness)
    surface = {
        "type": "twosided",
        "inner": {
            "type": "principled",
            "base_color": base,
            "roughness": roughness,
            "specular": 0.5,
            "clearcoat": 0.15,
            "clearcoat_gloss": 0.8,
        },
    }
    props = mi.Properties()
    props["mesh_bsdf"] = mi.load_dict(surface)
    mesh = mi.Mesh(
        name,
        len(thing.vertices),
        len(thing.faces),
        has_vertex_normals=True,
        has_vertex_texcoords=thing.uv is not None,
        props=props,
    )
    params = mi.traverse(mesh)
    params["vertex_positions"] = np.ascontiguousarray(thing.vertices, np.float32).ravel()
    params["vertex_normals"] = np.ascontiguousarray(normals, np.float32).ravel()
    params["faces"] = np.ascontiguousarray(thing.faces, np.uint32).ravel()
    if thing.uv is not None:
        params["vertex_texcoords"] = np.ascontiguousarray(thing.uv, np.float32).ravel()
    params.update()
    if thing.colour is not None:
        mesh.add_attribute("vertex_color", 3, np.ascontiguousarray(thing.colour, np.float32).ravel())
    if rough is not None:
        mesh.add_attribute("vertex_rough", 1, np.ascontiguousarray(rough, np.float32))
    return mesh


def _through_lens(radiance: NDArray[np.float32], camera: Camera, margin: int) -> NDArray[np.float32]:
    """Bend a pinhole picture as the recorded lens does."""
    y, x = np.mgrid[0 : camera.height, 0 : camera.width].astype(float)
    focal = camera.matrix[0, 0]
    flat = undistort(
        np.stack([(x - camera.matrix[0, 2]) / focal, (y - camera.matrix[1, 2]) / focal], -1).reshape(-1, 2),
        camera.distortion,
    )
    rows = flat[:, 1] * focal + (camera.height - 1) / 2 + margin
    columns = flat[:, 0] * focal + (camera.width - 1) / 2 + margin
    floor = np.percentile(radiance, 99.9) * 4
    out = [
        map_coordinates(np.minimum(radiance[..., k], floor), [rows, columns], order=3, mode="nearest")
        for k in range(3)
    ]
    return np.clip(np.stack(out, -1), 0, None).reshape(camera.height, camera.width, 3).astype(np.float32)


def quieten(radiance: NDArray[np.float32], albedo: Floats, normal: Floats, reach: int = 4) -> NDArray[np.float32]:
    """A non-local mean over a small disk, alike in patch, albedo and normal; lone sparkles are capped first."""
    signal = np.log1p(4 * np.clip(radiance, 0, 50)).astype(np.float32)
    signal = np.minimum(signal, np.stack([rank_filter(signal[..., k], -3, 3) for k in range(3)], -1))
    noise = np.maximum(uniform_filter(((signal - uniform_filter(signal, (3, 3, 1))) ** 2).mean(-1), 9), 1e-5) * 1.1
    albedo, normal = albedo.astype(np.float32), normal.astype(np.float32)
    total, weight = signal.copy(), np.ones(signal.shape[:2], np.float32)
    for dy in range(-reach, reach + 1):
        for dx in range(-reach, reach + 1):
            if 0 < dy * dy + dx * dx <= reach * reach + 1:
                moved = np.roll(signal, (dy, dx), (0, 1))
                patch = uniform_filter(((signal - moved) ** 2).mean(-1), 3)
                paint = ((albedo - np.roll(albedo, (dy, dx), (0, 1))) ** 2).sum(-1)
                facing = ((normal - np.roll(normal, (dy, dx), (0, 1))) ** 2).sum(-1)
                w = np.exp(-np.maximum(patch - 2 * noise, 0) / (1.2 * noise) - paint / 0.004 - facing / 0.06)
                total += w[..., None] * moved
                weight += w
    return (np.expm1(total / weight[..., None]) / 4).astype(np.float32)
