"""How often what is wrong with depth is said, and how often something is said of good depth.

Rendered images of simulated cells of both mounts, whose board, lens and scale of depth are drawn
from their priors; depth of the same stop with one fault at a time. CPU of one station's check is
that of `look_at_depth` with its findings, at 1.3 megapixels.
Usage: python tests/bench/bench_depth_findings.py [cells]
"""

from __future__ import annotations

import sys
import time
from dataclasses import replace

import numpy as np

from engine.boards.detect import detect
from engine.camera.model import DepthCamera, LensU
from engine.cell.cell import Cell
from engine.cell.mount import EYE_IN_HAND, EYE_TO_HAND
from engine.depth.board import depth_findings, look_at_depth
from engine.depth.reading import Depth
from engine.simulate.render import DepthSensor
from engine.simulate.scenario import cell, truth
from engine.simulate.virtual_cell import VirtualCell

STOPS = 2
U, SCALE_U, BOW_U, DEPTH_U = LensU(), 0.0012, 0.1, 0.002
FAULTS: dict[str, tuple[DepthSensor, str]] = {
    "none": (DepthSensor(), ""),
    "noise × 10": (DepthSensor(noise_mm=1.5), "depth-noisy"),
    "scale +2 %": (DepthSensor(scale=0.02), "depth-disagrees"),
    "scale −2 %": (DepthSensor(scale=-0.02), "depth-disagrees"),
    "scale +1 %": (DepthSensor(scale=0.01), "depth-disagrees"),
    "off by 15 mm at this stop": (DepthSensor(offset_mm=15.0), "depth-disagrees"),
    "bent by 40 mm over the image at 1 m": (DepthSensor(bow_mm=40.0), "depth-disagrees"),
    "70 % of the dark parts missing": (DepthSensor(holes_dark=0.7), "depth-holes"),
    "70 % of the light parts missing": (DepthSensor(holes_light=0.7), "depth-holes"),
    "nothing there": (DepthSensor(holes_light=1.0, holes_dark=1.0), "depth-holes"),
}


def off(plain: Cell, rng: np.random.Generator) -> Cell:
    """Return the cell as it truly is: board and lens drawn from what is known of them."""
    (fx, _, cx), (_, fy, cy), last = plain.camera.matrix
    longer = 1.0 + U.focal * rng.normal()
    dx, dy = rng.normal(0.0, U.center_px, 2)
    matrix = ((fx * longer, 0.0, cx + dx), (0.0, fy * longer, cy + dy), last)
    pitch = plain.board.pitch_mm * (1.0 + SCALE_U * rng.uniform(-(3**0.5), 3**0.5))
    camera, board = replace(plain.camera, matrix=matrix), replace(plain.board, pitch_mm=pitch)
    return replace(plain, camera=camera, board=board)


def main() -> None:
    cells = int(sys.argv[1]) if len(sys.argv) > 1 else 40
    right = dict.fromkeys(FAULTS, 0)
    any_said = dict.fromkeys(FAULTS, 0)
    looked, spent = 0, 0.0
    for seed in range(cells):
        mount = EYE_TO_HAND if seed % 2 else EYE_IN_HAND
        rng = np.random.default_rng([seed, 47])
        plain = cell(mount, depth=True)
        board = replace(plain.board, scale_u=SCALE_U, bow_u_mm=BOW_U)
        camera = replace(plain.camera, u=U, depth=DepthCamera(0.1, "camera", DEPTH_U))
        virtual = VirtualCell(off(plain, rng), truth(mount), seed)
        own = DEPTH_U * rng.normal()
        for goal in virtual.suggest_stations(STOPS):
            virtual.go_to(goal)
            image = virtual.take_image()
            found = detect(image, board, camera)
            if not found.found:
                continue
            looked += 1
            for name, (sensor, code) in FAULTS.items():
                away = np.float32(np.sign(rng.normal()) * sensor.offset_mm)
                virtual.depth = replace(sensor, scale=sensor.scale or own, offset_mm=0.0)
                levels = virtual.take_depth(image)
                assert levels is not None
                z = np.where(levels > 0, levels * 0.1, np.nan).astype(np.float32) + away
                began = time.process_time()
                depth = Depth(z, 1.0)
                seen = look_at_depth(depth, found.ids, found.pixels, image, board, camera)
                said = {item.code for item in depth_findings(seen, board, camera.depth)}
                spent += time.process_time() - began
                right[name] += code in said if code else not said
                any_said[name] += bool(said - {code})
    print(f"{looked} stops of {cells} cells, {1000 * spent / looked / len(FAULTS):.0f} ms a check")
    print("| fault | said | something else said |")
    print("|---|---|---|")
    for name in FAULTS:
        share, other = (100 * count[name] / looked for count in (right, any_said))
        print(f"| {name} | {share:.1f} % | {other:.1f} % |")


if __name__ == "__main__":
    main()
