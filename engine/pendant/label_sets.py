"""Label sets of common pendants and the convention they stand for.

Several makers share labels with different meanings, so a label set proposes, and the robot's
manual decides. Which labels are in use: from memory and common practice, no source. ISO 9787:2013
names the turns about X, Y, Z as A, B, C and does not fix their order.
"""

from __future__ import annotations

from dataclasses import dataclass


@dataclass(frozen=True, slots=True)
class LabelSet:
    """The labels of the rotation fields, the `rotation` they may mean, and the matrix in words."""

    labels: tuple[str, ...]
    rotation: str
    matrix: str
    remark: str = ""


LABEL_SETS: tuple[LabelSet, ...] = (
    LabelSet(("W", "P", "R"), "fixed-xyz", "Rz(R) Ry(P) Rx(W)"),
    LabelSet(("A", "B", "C"), "moving-zyx", "Rz(A) Ry(B) Rx(C)", "A turns about Z"),
    LabelSet(("A", "B", "C"), "fixed-xyz", "Rz(C) Ry(B) Rx(A)", "A turns about X"),
    LabelSet(("A", "B", "C"), "moving-zyz", "Rz(A) Ry(B) Rz(C)", "A and C both turn about Z"),
    LabelSet(("Rx", "Ry", "Rz"), "fixed-xyz", "Rz(Rz) Ry(Ry) Rx(Rx)", "most pendants"),
    LabelSet(("Rx", "Ry", "Rz"), "moving-xyz", "Rx(Rx) Ry(Ry) Rz(Rz)", "some pendants"),
    LabelSet(("RX", "RY", "RZ"), "rotation-vector", "Exp([RX RY RZ])", "many collaborative arms"),
    LabelSet(("U", "V", "W"), "moving-zyx", "Rz(U) Ry(V) Rx(W)"),
    LabelSet(("O", "A", "T"), "moving-zyz", "Rz(O) Ry(A) Rz(T)"),
    LabelSet(("q1", "q2", "q3", "q4"), "quaternion-wxyz", "quaternion w x y z"),
    LabelSet(("yaw", "pitch", "roll"), "moving-zyz", "Rz(yaw) Ry(pitch) Rz(roll)", "older ones"),
    LabelSet(("yaw", "pitch", "roll"), "moving-zyx", "Rz(yaw) Ry(pitch) Rx(roll)", "elsewhere"),
    LabelSet(("C",), "yaw", "Rz(C), or Rz(C) Rx(180°) with the flange down", "four axes"),
)
