"""Shapes of the sole: outline, depth surface, fill and tilt. SI in and out; numpy and scipy only.

Axes of every module here: x points to the medial side, y to the toe, both in m, with the origin where the
long axis crosses the widest line of the foot. Left and right never enter: medial and lateral are the foot's
own sides, and only the drawing mirrors them. Depth and recess are measured upward from the wall's ground
surface to the sole, in m, positive into the foot.
"""
