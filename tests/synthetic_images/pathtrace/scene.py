"""From meshes to responses: materials in Mitsuba's words, the board round the joints, rings and camera."""

from __future__ import annotations

from dataclasses import dataclass, field
from functools import cache
from typing import Any

import cv2
import numpy as np
from numpy.typing import NDArray

from vision.setup import Station

from .layouts import Look, Rgb, Setting
from .surfaces import Sheet, outline, ring
from .tracer import choose_variant, ring_map

F32 = NDArray[np.float32]
CHANNELS = ("red", "green", "blue")

#: n and k at red, green, blue. Copper (0.6168, 0.5209, 0.4714 um) and gold: Johnson & Christy, Phys. Rev. B 6, 4370
#: (1972). Tin: a film at 632.8 nm (n 2.384, k 4.727), taken for all colours since tin is near-neutral (from memory).
METALS: dict[str, tuple[Rgb, Rgb]] = {"copper": ((0.30, 1.18, 1.25), (3.205, 2.608, 2.483)),
                                      "gold": ((0.21, 0.62, 1.31), (3.272, 2.081, 1.849)),
                                      "tin": ((2.384, 2.384, 2.384), (4.727, 4.727, 4.727))}
MASK_MM = -0.02  # the mask's surface against the lands'
FLOOR_MM = -1.6
CELL_MM = 0.1  # quads of the mask's plane
TEXEL_MM = 0.02
PASS = 16  # samples per pixel in one go, for memory's sake


@dataclass(frozen=True)
class Part:
    material: str
    sheet: Sheet


@dataclass
class Scene:
    """Meshes by material, the mask's picture, balls, and the chips' truth (ref, finding, values)."""

    parts: list[Part]
    balls: list[tuple[float, float, float]]
    mask: F32  # (row, col, rgb) diffuse reflectance, row 0 at the top
    half_mm: tuple[float, float]
    holes: list[tuple[float, float, float]]  # x, y, radius
    chips: list[tuple[str, str, dict[str, float]]] = field(default_factory=list)


def assemble(setting: Setting, look: Look, parts: list[Part], balls: list[tuple[float, float, float]],
             rng: np.random.Generator) -> Scene:
    """Return the joints' parts with the board round them."""
    family, station = setting.family, setting.station
    size = station.picture_px
    if size is None:
        raise ValueError("the station names no picture size")
    half = size[0] * station.mm_per_px / 2 + 1.0, size[1] * station.mm_per_px / 2 + 1.0
    flip, centre = (-1.0 if family.seen_from == "bottom" else 1.0), family.views[0].center_mm

    def frame(x: float, y: float) -> tuple[float, float]:
        return flip * (x - centre[0]), y - centre[1]

    holes = [(*frame(j.x_mm, j.y_mm), j.hole_mm / 2.0) for j in family.joints]
    parts = list(parts)
    for mark in family.fiducials:
        spot = frame(mark.x_mm, mark.y_mm)
        disc = outline("round", mark.diameter_mm, mark.diameter_mm)
        parts += [Part("land", _at(ring(0.002, disc, 0.0), *spot)),
                  Part("laminate", _at(ring(disc * 0.99, disc + 0.25, MASK_MM + 0.003), *spot))]
    scene = Scene(parts, balls, _mask_picture(setting, look, half, holes, rng), half, holes)
    for chip in family.chips:
        spot = frame(chip.x_mm, chip.y_mm)
        turned = chip.rotation_deg % 180.0 == 90.0
        _chip(scene, chip.ref, spot, (chip.body_w_mm, chip.body_h_mm), turned, rng)
        values = scene.chips[-1][2]
        if flip < 0 and "turn_deg" in values:  # an upright axis is mirrored into itself, a level one turns round
            values["turn_deg"] *= -1.0
            values["shift_across_mm" if turned else "shift_along_mm"] *= -1.0
    return scene


def _at(sheet: Sheet, x: float, y: float, turn_rad: float = 0.0) -> Sheet:
    cos, sin = np.cos(turn_rad), np.sin(turn_rad)
    turn = np.array([[cos, -sin, 0.0], [sin, cos, 0.0], [0.0, 0.0, 1.0]])
    return Sheet(sheet.vertices @ turn.T + np.array([x, y, 0.0]), sheet.faces, sheet.smooth)


def box(x: tuple[float, float], y: tuple[float, float], z: tuple[float, float]) -> Sheet:
    """Return a box without shared corners, so that its edges stay sharp."""
    points, faces = [], []
    for axis in range(3):
        for side in (0, 1):
            others = [a for a in range(3) if a != axis]
            for i in range(4):
                corner = [0.0, 0.0, 0.0]
                corner[axis] = (x, y, z)[axis][side]
                corner[others[0]] = (x, y, z)[others[0]][i in (1, 2)]
                corner[others[1]] = (x, y, z)[others[1]][i in (2, 3)]
                points.append(corner)
            n = len(points) - 4
            faces += [[n, n + 1, n + 2], [n, n + 2, n + 3]]
    return Sheet(np.array(points), np.array(faces), False)


def _wedge(narrow: float, height: float, run: float) -> Sheet:
    """Return the fillet at a chip's end at x = 0: a concave slope falling over `run` towards +x."""
    t = np.linspace(0.0, 1.0, 24)
    steep, flat = np.deg2rad(72.0), np.deg2rad(15.0)
    sine = np.sin(steep) + (np.sin(flat) - np.sin(steep)) * t
    fall = np.cumsum(sine / np.sqrt(1.0 - sine**2))
    z = height * (1.0 - (fall - fall[0]) / (fall[-1] - fall[0]))
    points = [(x, y, h) for x, h in zip(t * run, z, strict=True) for y in (-narrow / 2, narrow / 2)]
    first = np.arange(0, 2 * len(t) - 2, 2)
    return Sheet(np.array(points), np.concatenate([np.stack([first, first + 2, first + 1], axis=1),
                                                   np.stack([first + 1, first + 2, first + 3], axis=1)]))


def _chip(scene: Scene, ref: str, spot: tuple[float, float], size: tuple[float, float], turned: bool,
          rng: np.random.Generator) -> None:
    """Add a chip's lands and body; one in seven is missing, one in seven moved."""
    long, narrow = max(size), min(size)
    axis, high, case = np.pi / 2 * turned, narrow * rng.uniform(0.35, 0.7), rng.uniform()
    reach, end = rng.uniform(0.3, 0.5), rng.uniform(0.16, 0.25) * long
    for side in (-1, 1):
        x = sorted((side * long * 0.31, side * (long / 2 + reach)))
        pad = box((x[0], x[1]), (-narrow * 0.54, narrow * 0.54), (MASK_MM, 0.0))
        scene.parts.append(Part("land", _at(pad, *spot, axis)))
    finding, along, across, turn = "", *rng.normal(0.0, 0.03, 2), rng.normal(0.0, 0.02)
    if case < 1 / 7:
        scene.chips.append((ref, "chip_missing", {"chip_present": 0.0}))
        return
    if case < 2 / 7:
        finding, across = "chip_shifted", float(rng.choice([-1, 1])) * narrow * rng.uniform(0.4, 0.9)
    cos, sin = np.cos(axis), np.sin(axis)
    place = spot[0] + along * cos - across * sin, spot[1] + along * sin + across * cos
    half = long / 2 - end, narrow / 2
    body = box((-half[0], half[0]), (-half[1] + 0.01, half[1] - 0.01), (0.0, high - 0.02))
    scene.parts.append(Part("body" if ref.startswith("R") else "ceramic", _at(body, *place, axis + turn)))
    for side in (-1, 1):
        x = sorted((side * half[0], side * long / 2))
        scene.parts.append(Part("solder1", _at(box((x[0], x[1]), (-half[1], half[1]), (0.0, high)), *place,
                                               axis + turn)))
        wedge = _at(_wedge(narrow, high * rng.uniform(0.5, 0.9), reach - 0.05), long / 2, 0.0)
        scene.parts.append(Part("solder1", _at(wedge, *place, axis + turn + (np.pi if side < 0 else 0.0))))
    scene.chips.append((ref, finding, {"chip_present": 1.0, "shift_along_mm": float(along),
                                       "shift_across_mm": float(across), "turn_deg": float(np.rad2deg(turn))}))


def _mask_picture(setting: Setting, look: Look, half: tuple[float, float], holes: list[tuple[float, float, float]],
                  rng: np.random.Generator) -> F32:
    """Return the mask's diffuse colour with tracks and white print."""
    rows, cols = round(2 * half[1] / TEXEL_MM), round(2 * half[0] / TEXEL_MM)
    picture = np.empty((rows, cols, 3), np.float32)
    picture[:] = look.mask

    def px(x: float, y: float) -> tuple[int, int]:
        return round((x + half[0]) / TEXEL_MM), round((half[1] - y) / TEXEL_MM)

    tone = tuple(float(v) * rng.uniform(1.1, 1.4) for v in look.mask)
    for x, y, _ in holes:
        if rng.uniform() < 0.7:
            far = px(x + rng.uniform(-3, 3), y + rng.uniform(-3, 3))
            cv2.line(picture, px(x, y), far, tone, round(rng.uniform(0.25, 0.6) / TEXEL_MM), cv2.LINE_AA)
    names, ink = {j.ref for j in setting.family.joints}, np.zeros((rows, cols), np.uint8)
    for ref in sorted(names):
        own = [h for h, j in zip(holes, setting.family.joints, strict=True) if j.ref == ref]
        if rng.uniform() < 0.6:
            x, y = min(h[0] for h in own) - 1.5, max(h[1] for h in own) + 1.75
            cv2.putText(ink, ref, px(x, y), cv2.FONT_HERSHEY_SIMPLEX, 0.9, 255, 5, cv2.LINE_AA)
    picture += (np.float32(0.7) - picture) * (ink.astype(np.float32) / 255.0)[..., None]
    grain = cv2.GaussianBlur(rng.standard_normal((rows, cols)).astype(np.float32), (0, 0), 3.0)
    return np.asarray(picture * (1.0 + 0.03 * grain / grain.std())[..., None], dtype=np.float32)


def render_responses(scene: Scene, setting: Setting, look: Look, samples: int) -> F32:
    """Return responses (row, col, light): radiance against a white sheet's under the same ring."""
    mi = mitsuba()
    station = setting.station
    bands = [light.zenith_deg for light in station.lights]
    bsdfs = _materials(mi, look, station)
    shapes: dict[str, Any] = {}
    for name in sorted({(p.material, p.sheet.smooth) for p in scene.parts}):
        own = [p.sheet for p in scene.parts if (p.material, p.sheet.smooth) == name]
        shapes[f"{name[0]}_{int(name[1])}"] = _mesh(mi, _joined(own), bsdfs[name[0]])
    shapes["mask"] = _mask_mesh(mi, scene, look, station)
    shapes["floor"] = _mesh(mi, box((-scene.half_mm[0], scene.half_mm[0]), (-scene.half_mm[1], scene.half_mm[1]),
                                    (FLOOR_MM - 0.1, FLOOR_MM)), bsdfs["floor"])
    for i, (x, y, radius) in enumerate(scene.balls):
        shapes[f"ball{i}"] = {"type": "sphere", "center": [x, y, MASK_MM + radius * 0.97], "radius": radius,
                              "bsdf": bsdfs["solder0"]}
    return _traced(mi, shapes, bands, station, look, samples)


def _traced(mi: Any, shapes: dict[str, Any], bands: list[tuple[float, float]], station: Station, look: Look,
            samples: int) -> F32:
    transform = mi.ScalarTransform4f
    size = station.picture_px or (640, 480)
    x, y = look.offset_mm
    up = [-np.sin(look.turn_rad), np.cos(look.turn_rad), 0.0]
    half_width = size[0] * station.mm_per_px / 2
    # Mitsuba's environment has its pole along +y; the board's is +z.
    scene = mi.load_dict({
        "type": "scene", "integrator": {"type": "path", "max_depth": 5},
        "sky": {"type": "envmap", "bitmap": mi.Bitmap(ring_map(bands)), "to_world": transform().rotate([1, 0, 0], 90)},
        "camera": {"type": "orthographic",
                   "to_world": transform().look_at([x, y, 20], [x, y, 0], up) @ transform().scale(
                       [half_width, half_width, 1]),
                   "film": {"type": "hdrfilm", "width": size[0], "height": size[1], "rfilter": {"type": "box"},
                            "pixel_format": "rgb"},
                   "sampler": {"type": "multijitter", "sample_count": PASS}}} | shapes)
    passes = max(samples // PASS, 1)
    total = sum(np.array(mi.render(scene, spp=PASS, seed=n + 1), dtype=np.float32) for n in range(passes))
    white = np.array([np.sin(np.deg2rad(b)) ** 2 - np.sin(np.deg2rad(a)) ** 2 for a, b in bands], np.float32)
    return np.asarray(total / passes / white, dtype=np.float32)


@cache
def mitsuba() -> Any:
    """Return Mitsuba with its fastest variant that works here."""
    import mitsuba as mi

    mi.set_variant(choose_variant())
    return mi


def _materials(mi: Any, look: Look, station: Station) -> dict[str, Any]:
    """Return the BSDFs of a board by material; colours in the order of the station's lights."""
    order = [CHANNELS.index(light.channel) for light in station.lights]

    def rgb(values: Rgb) -> dict[str, Any]:
        return {"type": "rgb", "value": [float(values[i]) for i in order]}

    def metal(name: str, alpha: float, dull: float = 0.0, share: float = 1.0) -> Any:
        n, k = METALS[name]
        shiny = {"type": "roughconductor", "distribution": "ggx", "alpha": float(alpha), "eta": rgb(n), "k": rgb(k),
                 "specular_reflectance": share}
        haze = {"type": "diffuse", "reflectance": rgb((0.6, 0.6, 0.58))}
        one = {"type": "blendbsdf", "weight": dull, "a": shiny, "b": haze} if dull else shiny
        return mi.load_dict({"type": "twosided", "b": one})

    def paint(values: Rgb) -> Any:
        return mi.load_dict({"type": "twosided", "b": {"type": "diffuse", "reflectance": rgb(values)}})

    def glossy(values: Rgb) -> Any:
        return mi.load_dict({"type": "twosided", "b": {"type": "roughplastic", "distribution": "ggx", "alpha": 0.2,
                                                       "diffuse_reflectance": rgb(values)}})

    alpha = look.solder_alpha
    return {"solder0": metal("tin", alpha * 0.85, look.dull), "solder1": metal("tin", alpha, look.dull),
            "solder2": metal("tin", min(alpha * 1.2, 0.25), look.dull, 0.95),
            "land": metal(look.finish, look.land_alpha, 0.04), "lead": metal("tin", 0.12, 0.02),
            "cut": metal("copper", 0.3, 0.1), "laminate": paint((0.2, 0.2, 0.1)),
            "floor": paint((0.04, 0.04, 0.04)), "body": glossy((0.025, 0.025, 0.03)),
            "ceramic": glossy((0.34, 0.25, 0.15))}


def _joined(sheets: list[Sheet]) -> Sheet:
    start = np.cumsum([0] + [len(s.vertices) for s in sheets])
    return Sheet(np.concatenate([s.vertices for s in sheets]),
                 np.concatenate([s.faces + n for s, n in zip(sheets, start[:-1], strict=True)]), sheets[0].smooth)


def _mesh(mi: Any, sheet: Sheet, bsdf: Any, uv: NDArray[np.float64] | None = None) -> Any:
    props = mi.Properties()
    props["bsdf"] = bsdf
    mesh = mi.Mesh("part", len(sheet.vertices), len(sheet.faces), props=props, has_vertex_normals=sheet.smooth,
                   has_vertex_texcoords=uv is not None)
    params = mi.traverse(mesh)
    params["vertex_positions"] = sheet.vertices.astype(np.float32).ravel()
    params["faces"] = sheet.faces.astype(np.uint32).ravel()
    if uv is not None:
        params["vertex_texcoords"] = uv.astype(np.float32).ravel()
    if sheet.smooth:
        params["vertex_normals"] = _normals(sheet).astype(np.float32).ravel()
    params.update()
    return mesh


def _normals(sheet: Sheet) -> NDArray[np.float64]:
    """Return vertex normals, weighted by the area of the faces that meet there."""
    a, b, c = (sheet.vertices[sheet.faces[:, i]] for i in range(3))
    face = np.cross(b - a, c - a)
    normals = np.zeros_like(sheet.vertices)
    for i in range(3):
        np.add.at(normals, sheet.faces[:, i], face)
    length = np.linalg.norm(normals, axis=1, keepdims=True)
    return np.where(length > 0, normals / np.maximum(length, 1e-30), [0.0, 0.0, 1.0])


def _mask_mesh(mi: Any, scene: Scene, look: Look, station: Station) -> Any:
    """Return the mask's plane, open under the lands where the holes are."""
    x = np.arange(-scene.half_mm[0], scene.half_mm[0] + CELL_MM, CELL_MM)
    y = np.arange(-scene.half_mm[1], scene.half_mm[1] + CELL_MM, CELL_MM)
    grid = np.stack(np.meshgrid(x, y), axis=-1)
    middle = grid[:-1, :-1] + CELL_MM / 2.0
    keep = np.ones(middle.shape[:2], dtype=np.bool_)
    for hx, hy, radius in scene.holes:
        keep &= np.hypot(middle[..., 0] - hx, middle[..., 1] - hy) > radius + CELL_MM * 0.8
    row, col = np.nonzero(keep)
    here = row * len(x) + col
    faces = np.concatenate([np.stack([here, here + 1, here + len(x)], axis=1),
                            np.stack([here + 1, here + len(x) + 1, here + len(x)], axis=1)])
    flat = grid.reshape(-1, 2)
    uv = np.stack([(flat[:, 0] + scene.half_mm[0]) / (2 * scene.half_mm[0]),
                   (scene.half_mm[1] - flat[:, 1]) / (2 * scene.half_mm[1])], axis=1)
    order = [CHANNELS.index(light.channel) for light in station.lights]
    texture = {"type": "bitmap", "bitmap": mi.Bitmap(np.ascontiguousarray(scene.mask[..., order])), "raw": True}
    bsdf = mi.load_dict({"type": "twosided", "b": {"type": "roughplastic", "distribution": "ggx", "int_ior": 1.5,
                                                   "alpha": look.mask_gloss, "diffuse_reflectance": texture}})
    vertices = np.column_stack([flat, np.full(len(flat), MASK_MM)])
    return _mesh(mi, Sheet(vertices, faces, False), bsdf, uv)
