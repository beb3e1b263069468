"""Thresholds of the entry checks, each with its reason."""

from __future__ import annotations

# A station nearer to the previous one than both of these adds almost no information: the rotation
# error of a solution grows with one over the rotation between stations (Tsai and Lenz 1989), and
# planned stations lie 30 mm or 8° apart at least. The figures: common practice, no source.
SMALL_MOVE_MM = 20.0
SMALL_MOVE_DEG = 5.0

# Two readings of the same stop differ by at most one step of the pendant's last digit in a field.
DUPLICATE_STEPS = 1.5

# No flange of an arm comes this near to the middle of its own base, where the base column stands.
# Common practice, no source; the smallest table-top arms have a column of about 60 mm radius.
INSIDE_COLUMN_MM = 60.0
# Read in metres, no typed coordinate of a reachable pose exceeds this; read in mm, a pose that
# stays below it would lie inside the base column.
LARGEST_REACH_M = 5.0
LARGEST_REACH_IN = 200.0

# A typed angle beyond one turn (with a last digit of rounding) is not in radians.
ONE_TURN_RAD = 6.30

# Distance from the planned station that deserves a note: jogging by hand ends this near.
OFF_PLAN_MM = 30.0
OFF_PLAN_DEG = 6.0

# Out of reach this many times in a row: rather the robot file is wrong than the typing.
REACH_IN_A_ROW = 3

# Typed joints and typed pose are read from the same display; rounding and the difference between
# the nominal and the controller's own geometry stay below this (common practice, no source).
JOINTS_DISAGREE_MM = 2.0
JOINTS_DISAGREE_DEG = 0.5

# Board points that moved less than this [px] between two images did not move: ten times the noise
# of a good detector (0.02 to 0.1 px, common practice, no source).
IMAGE_UNCHANGED_PX = 0.5

# Stations from which a pose is predicted. Three leave 6 degrees of freedom. Simulated, at the
# fourth: slips of 20 mm all found, of 5 mm in 6 of 10, no good pose of 600 questioned; a bad one
# among the three widens the prediction (a good fourth was questioned in 4 of 180).
PREDICTED_LEAST = 3
# Chance that a good station is questioned: over 15 stations together 1.5 % of the sessions.
PREDICTION_SIGNIFICANCE = 1e-3

# Times the robot's accuracy by which configurations may differ: two RMS errors, and a tail.
CONFIGURATION_FACTOR = 5.0

# Robot and board turn by the same angle between two stations. Good stations agree within 0.1° to
# 0.3° (image noise of a small board); an old image or degrees for radians differ by 20° and more, a
# wrong order of angles by about 3° (simulated sessions).
CONGRUENCE_DEG = 1.5
# Below this turn the axis of a motion is too uncertain to measure travel along it.
CONGRUENCE_LEAST_TURN_DEG = 5.0
# Travel along the axis that a unit is judged by: a tenth of it is several times the noise.
TRAVEL_LEAST_MM = 15.0
# A ratio of travels this near to 1000 or 25.4 is that unit: the next candidate is 1.55 times off.
CONGRUENCE_UNIT_FACTOR = 1.15
