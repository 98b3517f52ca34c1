"""The sun of a session held still: every frame centred, turned the same way up and cropped at one scale.

For whoever shows frames to people afterwards. `centres` tells where a hardly seen disc stood, `roll` how the
camera sat on its mount, `up` which way is up in each frame; `picture` moves the pixels. Pure functions.
"""

from sentinel.jobs.steady.centres import joined_centres
from sentinel.jobs.steady.picture import Crop, centred, rounded
from sentinel.jobs.steady.roll import Attitude, attitudes
from sentinel.jobs.steady.up import UP_WORDS, Up, UpAngles, change_sigma_deg, responses, up_angles

__all__ = [
    "UP_WORDS", "Attitude", "Crop", "Up", "UpAngles", "attitudes", "centred", "change_sigma_deg",
    "joined_centres", "responses", "rounded", "up_angles",
]  # fmt: skip
