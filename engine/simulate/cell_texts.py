"""The cell files of "bottling line 2, infeed", written and commented as a technician would."""

from __future__ import annotations

HEAD = """\
format: 1
name: bottling line 2, infeed
mount: {mount}
"""

SIX_AXIS = """\

robot:
  name: demo six-axis arm
  kind: spherical-wrist
  geometry_mm: {a1: 50, a2: -35, b: 0, c1: 330, c2: 340, c3: 338, c4: 86}
  offsets_deg: [0, 0, 0, 0, 0, 0]
  directions: [1, 1, 1, 1, 1, 1]
  limits_deg: [[-170, 170], [-65, 145], [-70, 190], [-190, 190], [-135, 135], [-360, 360]]
  repeatability_mm: 0.03    # from the robot's data sheet
  accuracy_mm: 0.4          # absolute, uncompensated

pendant:
  length_unit: mm
  angle_unit: deg
  rotation: fixed-xyz
  labels: [X, Y, Z, A, B, C]
  decimals: [2, 2, 2, 2, 2, 2]
  active_tool: flange       # what the pendant shows as active while poses are read
  active_frame: base
"""

FOUR_AXIS = """\

robot:
  name: demo four-axis arm
  kind: level-flange        # the linkage holds the flange level
  geometry_mm: {a1: 120, a2: 0, b: 0, c1: 450, c2: 420, c3: 480, c4: 90}
  offsets_deg: [0, 0, 0, 0]
  directions: [1, 1, 1, 1]
  coupling: {J3: J2}        # the shown J3 moves with J2
  limits_deg: [[-165, 165], [-60, 120], [-20, 190], [-360, 360]]
  repeatability_mm: 0.05    # from the robot's data sheet
  accuracy_mm: 0.5          # absolute, uncompensated

pendant:
  length_unit: mm
  angle_unit: deg
  rotation: yaw
  flange_down: true
  labels: [X, Y, Z, A]
  decimals: [2, 2, 2, 2]
  active_tool: flange       # what the pendant shows as active while poses are read
  active_frame: base
"""

CAMERA = """\

camera:
  name: {name}
  image_size_px: [1280, 1024]
  matrix: [[1400.0, 0, 640.0], [0, 1400.0, 512.0], [0, 0, 1]]
  distortion: [-0.085, 0.062, 0.0004, -0.0003, 0.0]   # k1 k2 p1 p2 k3, as OpenCV orders them
  source: none
"""

BOARD = """\

board:
  pattern: chessboard
  columns: 11               # inner corners, not squares
  rows: 8
  pitch_mm: 20.0
  mount_repeatability: {position_mm: 0.1, angle_deg: 0.05}
"""

HEIGHT = """\
  height_mm: {height:.1f}          # z of point 0, measured: a four-axis arm cannot show it
"""

WORK = """\

work_volume: {{frame: {frame}, center_mm: {center}, size_mm: {size}}}   # where bottles are picked
tolerance: {{position_mm: {tolerance}, angle_deg: 0.2}}
keep_out: []
"""
