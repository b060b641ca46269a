"""How far a pelvis is turned about its long axis, from what lies before and behind the hips.

Where a pelvis is not turned, the symphysis, the middle of the teardrops and the sacrococcygeal
joint stand on one line down the body. Turning it moves each aside as far
as it lies before or behind the others. Every point is first carried into the plane of the hips
along its ray, so that a film centred on a hip does not look turned.
"""

from __future__ import annotations

import numpy as np

from xraymeasure.geometry.cup_angles import along_line
from xraymeasure.measuring.inputs import MIDLINE_U_MM
from xraymeasure.measuring.positions import Scene
from xraymeasure.measuring.uncertainty import Numbers
from xraymeasure.vocabulary.landmarks import SIDES, landmark_name


def pelvic_rotation(scene: Scene, tilt: np.ndarray, numbers: Numbers) -> None:
    """Note the rotation of the pelvis in degrees, by weighted least squares over depth.

    Positive where the front of the pelvis is turned to the patient's left.
    """
    stems = [stem for stem in MIDLINE_U_MM if all(each in scene.units for each in _names(stem))]
    if "sacrococcygeal_joint" not in stems or "symphysis" not in stems:
        return
    aside, depth = [], []
    off = scene.inputs["midline"]
    for index, stem in enumerate(MIDLINE_U_MM):
        if stem not in stems:
            continue
        places = [scene.in_hip_plane(name)[0] for name in _names(stem)]
        middle = sum(places) / len(places)
        aside.append(along_line(middle[0], middle[1], tilt)[0] + off[index])
        depth.append(scene.inputs[f"depth_{stem}"][0])
    x, z = (np.stack(np.broadcast_arrays(*each)) for each in (aside, depth))
    weight = np.array([MIDLINE_U_MM[stem] ** -2 for stem in stems])[:, None]
    mean_x, mean_z = ((weight * each).sum(axis=0) / weight.sum() for each in (x, z))
    slope = (weight * (x - mean_x) * (z - mean_z)).sum(axis=0)
    slope = slope / (weight * (z - mean_z) ** 2).sum(axis=0)
    numbers["pelvic_rotation", None, "landmarks"] = np.degrees(np.arctan(slope))


def _names(stem: str) -> list[str]:
    if stem in ("symphysis", "sacrococcygeal_joint"):
        return [stem]
    return [landmark_name(stem, side) for side in SIDES]
