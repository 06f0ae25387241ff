"""Random appearance: five kinds of set-up seen in weld laboratories, each clean, normal or hard."""

from __future__ import annotations

from dataclasses import replace

import numpy as np

from benchmarks.render import backdrops
from benchmarks.render.geometry import Drawing
from benchmarks.render.scene import Exposure, Look


def random_look(rng: np.random.Generator, difficulty: str, *, joint: str = "tee") -> tuple[Look, Exposure]:
    """Return how a picture looks and how it was taken."""
    kind = int(rng.integers(5))
    background, plate, tint, metal_tint = _setting(rng, kind, difficulty)
    sign = 1.0 if plate > background else -1.0
    contrast = abs(plate - background)
    if difficulty == "clean":
        look = Look(background, plate, plate, plate, seam=background + 0.3 * (plate - background), weld_texture=0.005)
        return look, Exposure(blur_px=float(rng.uniform(0.5, 0.9)), read_noise=0.003, shot_noise=0.004)
    hard = difficulty == "hard"
    shadow = 0.0
    if hard and kind in (1, 2) and sign < 0 and rng.random() < 0.4:
        # a third of the contrast at most: a deeper shadow could not be told from the section by anybody
        shadow = float(rng.uniform(0.1, 0.33)) * contrast / background
    share = 1.0 if hard else 0.55
    weld = plate - sign * contrast * float(rng.uniform(-0.15, 0.4)) * share
    haz = plate - sign * contrast * float(rng.uniform(-0.1, 0.3)) * share
    look = Look(
        background=background,
        plate=plate,
        weld=float(np.clip(weld, 0.05, 0.95)),
        haz=float(np.clip(haz, 0.05, 0.95)),
        seam=0.12 if plate > 0.3 else 0.03,
        background_tint=tint,
        metal_tint=metal_tint,
        grain=float(rng.uniform(0.006, 0.02)) * min(1, 2 * contrast),
        weld_texture=float(rng.uniform(0.008, 0.03)) * share * min(1, 2 * contrast),
        banding=float(rng.uniform(0, 0.012)) * share,
        scratches=int(rng.integers(0, 12)) if hard else int(rng.integers(0, 4)),
        scratch_depth=0.25 * contrast * share,
        polish_lines=float(rng.uniform(0, 0.012)) * share,
        stains=float(rng.uniform(0, 0.3)) * contrast if hard and rng.random() < 0.5 else 0.0,
        paper=float(rng.uniform(0.002, 0.012)),
        specks=int(rng.integers(0, 40)) if hard else int(rng.integers(0, 8)),
        light_gradient=float(rng.uniform(0, 0.3 if hard and kind != 4 else 0.15)),
        light_angle_deg=float(rng.uniform(0, 360)),
        vignette=float(rng.uniform(0, 0.3 if hard and kind != 4 else 0.15)),
        shadow=shadow,
        shadow_angle_deg=float(rng.uniform(0, 360)),
        highlights=int(rng.integers(0, 5)) if hard and plate < 0.6 else 0,
        edge_bevel=float(rng.uniform(-0.1, 0.1)) * contrast * share,
        label=f"{rng.choice(list('ABKMST'))}-{int(rng.integers(1, 60))} / {int(rng.integers(1, 9))}"
        if rng.random() < 0.2
        else "",
    )
    exposure = Exposure(
        blur_px=float(rng.uniform(0.6, 2.2 if hard else 1.3)),
        blur_border_px=float(rng.uniform(1.5, 3.0)) if hard and rng.random() < 0.3 else None,
        read_noise=float(rng.uniform(0.002, 0.008 if hard else 0.005)),
        shot_noise=float(rng.uniform(0.004, 0.015 if hard else 0.008)),
        jpeg_quality=int(rng.integers(70 if hard else 85, 97)) if rng.random() < 0.7 else None,
        colour=bool(rng.random() < 0.6),
    )
    return look, exposure


def in_mount(look: Look, drawing: Drawing, rng: np.random.Generator) -> Look:
    """Cast the section in a round mount that lies on a bench of another tone."""
    x0, y0, x1, y1 = drawing.metal.bounds
    radius = 0.5 * float(np.hypot(x1 - x0, y1 - y0)) + float(rng.uniform(0.8, 3.0))
    return replace(
        look,
        mount_tone=look.background,
        background=float(rng.uniform(0.3, 0.5)),
        mount_radius_mm=radius,
        mount_centre_mm=((x0 + x1) / 2, (y0 + y1) / 2),
        rim=float(rng.uniform(-0.08, 0.15)),
    )


GROUNDS = (*backdrops.KINDS, "deep shadow")


def on_ground(look: Look, ground: str, rng: np.random.Generator) -> Look:
    """Lay the section on one of ``GROUNDS``: nothing plain, or a pale bench under one lamp."""
    if ground == "deep shadow":
        return replace(
            look,
            mount_radius_mm=0.0,
            background=0.85 if look.plate < 0.6 else 0.45,
            shadow=float(rng.uniform(0.35, 0.7)),
            shadow_reach_mm=float(rng.uniform(0.5, 3.0)),
        )
    return replace(look, mount_radius_mm=0.0, backdrop=ground)


Tint = tuple[float, float, float]
_NEUTRAL: Tint = (1.0, 1.0, 1.0)


def _setting(rng: np.random.Generator, kind: int, difficulty: str) -> tuple[float, float, Tint, Tint]:
    """Return background and plate tone with their tints (blue, green, red) for one kind of set-up."""
    if kind == 0:  # polished and lightly etched, in a dark mount
        return float(rng.uniform(0.04, 0.12)), float(rng.uniform(0.55, 0.8)), (1.0, 0.98, 0.98), (0.94, 0.99, 1.03)
    if kind == 1:  # deeply etched, on white paper
        return float(rng.uniform(0.8, 0.92)), float(rng.uniform(0.25, 0.48)), (0.97, 1.0, 1.0), (1.02, 1.0, 0.98)
    if kind == 2:  # on a mid-grey bench
        return float(rng.uniform(0.35, 0.45)), float(rng.uniform(0.68, 0.85)), (1.02, 1.0, 0.97), _NEUTRAL
    if kind == 3:  # resin
        return float(rng.uniform(0.12, 0.25)), float(rng.uniform(0.5, 0.72)), (0.88, 1.0, 1.03), (0.95, 0.99, 1.02)
    least = 0.13 if difficulty == "hard" else 0.22
    gap = float(rng.uniform(least, least + 0.12))
    middle = float(rng.uniform(0.35, 0.6))
    if rng.random() < 0.5:
        return middle - gap / 2, middle + gap / 2, _NEUTRAL, (0.97, 1.0, 1.01)
    return middle + gap / 2, middle - gap / 2, (0.98, 1.0, 1.0), _NEUTRAL
