"""What to do at the bolts, in sentences: which, how far, how it shows in the picture, in how many steps."""

from collections.abc import Sequence

from sentinel.core.settings import Settings
from sentinel.core.words import aside, off_the_middle
from sentinel.jobs.align.bolts import Bolt, BoltStep

_OTHER_WAY = "if it goes another way, turn back and take more frames"
_MUCH_SKY = 0.95
"""Above this share of the sky a degree of the bolt and one on the sky are the same to anybody."""


def degrees(bolt: Bolt, error_deg: float) -> str:
    """Return an angle of the bolt, with what it comes to on the sky where that is less."""
    text = f"{abs(error_deg):.2f} deg"
    return (
        text if bolt.sky_share > _MUCH_SKY else f"{text} ({abs(error_deg * bolt.sky_share):.2f} on the sky)"
    )


def turn_words(bolt: Bolt, error_deg: float, settings: Settings) -> str:
    """Return the turn that takes an error out: `0.80 deg to the west`, `0.50 deg up`."""
    if bolt.name == "azimuth":
        return f"{degrees(bolt, error_deg)} to the {side(error_deg, settings)}"
    return f"{degrees(bolt, error_deg)} {'down' if error_deg > 0 else 'up'}"


def side(error_deg: float, settings: Settings) -> str:
    """Return the side to which to turn the mount in azimuth."""
    return "west" if (error_deg > 0) == (settings.site.latitude_deg >= 0) else "east"


def turns(bolts: Sequence[Bolt], settings: Settings) -> list[str]:
    """Return a sentence or a few a bolt, the better known first."""
    order = sorted(bolts, key=lambda bolt: bolt.sigma_deg / abs(bolt.error_deg))
    told = []
    for place, bolt in enumerate(order):
        begin = "Turn" if len(order) == 1 else "Turn one bolt at a time. First" if place == 0 else "Then"
        again = "put the disc back into the middle"
        if place:
            begin = f"Then {again} and turn"
        after = (
            f" Then mark it (sentinel mark realigned), {again}, and take frames anew."
            if bolt is order[-1]
            else ""
        )
        told.append(f"{begin} the {bolt.name}: {_turn(bolt, settings)}{after}")
    return told


def _turn(bolt: Bolt, settings: Settings) -> str:
    what = turn_words(bolt, bolt.error_deg, settings)
    if bolt.name == "azimuth":
        clock = "counter-clockwise" if bolt.error_deg > 0 else "clockwise"
        what = f"{what}, {clock} seen from above"
    else:
        what = f"the axis {what}"
    if bolt.steps and bolt.shows:
        return f"{what}. {_in_steps(bolt.steps)}"
    moves = f"{_sides(bolt.right_widths, bolt.up_widths)} in the picture (in sun-widths)"
    by_scale = "go by the bolt's scale or thread"
    if not bolt.shows:
        elsewhere = "or do it when the sun stands elsewhere"
        return f"{what}. It hardly shows at this hour ({moves}): {by_scale}, {elsewhere}."
    if not bolt.fits:
        return f"{what}. The disc would leave so small a frame at once ({moves}): {by_scale}."
    return f"{what}. The disc meanwhile moves {moves}: stop when it has; {_OTHER_WAY}."


def _in_steps(steps: Sequence[BoltStep]) -> str:
    """Say how to take a turn through a frame that has no room for it from where the disc is now."""
    begins = [off_the_middle(step.from_right_widths, step.from_up_widths) for step in steps]
    ends = [off_the_middle(step.to_right_widths, step.to_up_widths) for step in steps]
    if len(steps) == 1:
        first = f"First put the disc {begins[0]}; the turn takes it to {ends[0]}"
        return f"{first}: stop when it is there; {_OTHER_WAY}."
    head = (
        f"That takes the disc farther than the frame: go in {len(steps)} steps of "
        f"{steps[0].turn_deg:.2f} deg, and before each put the disc back with the mount's own axes, not with "
        "a bolt"
    )
    if len(set(begins)) == len(set(ends)) == 1:
        return f"{head}: each time from {begins[0]}, to {ends[0]}; {_OTHER_WAY}."
    each = "; ".join(f"{k}. from {a}, to {b}" for k, (a, b) in enumerate(zip(begins, ends, strict=True), 1))
    return f"{head}: {each}; {_OTHER_WAY}."


def _sides(right_widths: float, up_widths: float) -> str:
    return aside(right_widths, up_widths) or "less than 0.1 aside"
