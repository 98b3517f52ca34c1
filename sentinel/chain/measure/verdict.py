"""Is it the sun? What a limb must look like before a circle of edges is called a disc."""

from math import log

from sentinel.chain.measure.evidence import (
    BROKEN,
    BROKEN_MOST,
    EVEN_FALL,
    LINED,
    RINGED,
    STRONG_SHARE,
    UNEVEN,
    LimbEvidence,
)

LEAST_COVERAGE, LEAST_WHOLE = 0.06, 0.04
"""Share of the limb without which nothing is believed, and where all that lies in the frame is seen."""
SOFTEST, SOFTEST_PX = 0.15, 0.3
"""Blur in radii, and what pixels add to it. A disc of 30 px at a blur of 3 px has 0.1, one out of focus by a
quarter of its radius 0.148; a lamp's own halo has 0.16 and more."""
MOST_STRUCTURE, MOST_BEHIND_CLOUD = 0.05, 0.1
"""Suns have below 0.01, under thick cloud 0.03, behind small broken clouds 0.07, where the edge tells that it
is a disc; landscapes and reflections have above 0.1."""
LOST_EVERYWHERE = 0.9
"""How even the light is that is lost across such a limb: a flare's, a clock's face's is not."""
ROUGHEST, ROUGHEST_IN_PART = 0.012, 0.008
"""Spread of the edges over the radius: bad seeing has 0.003, a low sun's boiling limb some 0.01, which is ten
seconds of arc; an octagon 0.02. Part of a limb must be smoother: curves are everywhere."""
ROUGHEST_CURVE, CURVE_PX = 0.014, 0.05
"""The same, of an arc by which alone a disc of unknown size is told, times the share of the circle that it
is; and what pixels add to it. The shorter an arc, the more curves bend like it for a while: fur, a sleeve."""
MOST_OVAL = 0.125
"""Half the difference of the half-axes, in radii: the sun on the horizon has 0.08, under warm air over cold
0.11, a fifth of its height."""
STRONGEST_FALL = -0.35
"""Darkening beyond the law's: the sun has -0.12 in blue light."""
FAINTEST = 0.003
"""Linear light."""
MOST_OVAL_IN_PART, SMOOTH = 0.04, 0.001
"""Half the difference of the half-axes, in radii, that part of a limb may tell: the sun's at 2 degrees of
altitude. More, off a limb that fades into glow, is the glow's shape; the sun on the horizon, which hides part
of it, has a sharp limb, whose edges lie so closely on the ellipse, in radii."""
BRIGHTEST_RIM = 1.03
"""Light at the first two over that at the next two, on a limb that is seen in part. Half suns have 0.78 to
0.9, overexposed ones 1; the moon at a phase has 1.12 and more, for its day ends gently."""
COARSEST = 0.1
"""Difference between neighbouring places, even to the eye, that a coin's relief makes and no sun's face."""
WHOLE = 0.9
"""Share of the limb in the frame from which nothing lies across it."""
CUT_OFF = 0.05
"""Share of the light by the limb at full scale from which it may be even for that reason."""
DARKENED = 0.9
"""Light by a sharp limb over that deeper inside of a disc that is darkened: a linear law of 0.3."""
EVEN_LACK = 0.29
"""Lack of darkening from which a disc is even: no light that a camera sees comes so from the sun."""
MOST_SPILL = 0.3
"""A caption across the limb may have a quarter; a cloud that the sky goes on behind has more than half."""
SHARPEST_PX = 0.4
"""What was drawn, not photographed, has no blur at all."""
LAMP_SOFTNESS = 0.05
"""Blur over radius from which a disc that is full, or stands in light of its own, is a lamp in mist."""
LETTER_PX = 60.0
"""Radius of the largest letters that are written into a frame."""
MOTTLED, MARKED = 0.1, 0.03
"""How mottled, and what share of it marked, a face without darkening may be: the moon's seas make 0.1 and
more of the first, a sun in the light of hydrogen less (both from memory), hands and figures 0.07 of the
second; the largest spots that were ever seen hid 0.01 of the sun (1947, 6,132 millionths of the hemisphere,
from memory)."""
SURELY, LIKELY = 1.0, 0.5
"""By how much of its uncertainty light must be without darkening, where broken cloud may have made it so, and
where it is less uneven."""
BRIGHTEST_EDGE = 1.2
"""Light close to the limb over that a little deeper of a film; a sharpened limb has 1.1, in a hard curve
1.24."""
FADING, FADING_BESIDE = 2.0, 0.02
"""Way on which a bubble's light fades inward, in blurs and beside that: the moon's edge is as sharp as the
sun's."""
SEEN_THROUGH = 0.15
"""Light beyond the limb over that deep inside: a bubble's differs little, a bright rim's sky is dark."""
A_BALL = 0.7
"""How badly a lit ball explains a face, over how badly a sun does, below which it is one: balls have 0.1 to
0.4, suns in a lit sky behind a bank of haze 0.8 and more."""
DARKEST_RIM, DARKEST_BRINK = 0.6, 0.5
"""Light by the limb over that deeper inside, and close to it over that somewhat deeper, below which it is
asked whether it falls evenly."""
EVENLY = 0.45, 1.3
"""Ratio of the logarithms of these two where it does: linear laws have 0.77 to 0.93, powers of the cosine
0.97, and a tone curve leaves it. A ring upon or about a window makes a step of one of them."""
STEEPEST = 0.8
"""Light close to the limb over that somewhat deeper, in terms of that by the limb over that deeper inside: no
law falls less from there to here."""
NO_BLUR = 0.02
"""Blur in radii which leaves the place closest to the limb alone."""


def is_sun(evidence: LimbEvidence) -> bool:
    """Weigh the evidence: edge, outline and light must all be the sun's.

    A lamp or a glow has no edge, a landscape no common profile, a polygon of the lens no round outline, a
    reflection no darkening, a letter no blur.
    """
    e = evidence
    return _is_disc(e) and not (
        _relief(e)
        or _curve(e)
        or _opening(e)
        or _painted(e)
        or _ringed(e)
        or (_lamp(e) if e.strong else _impostor(e))
    )


def is_expected_sun(evidence: LimbEvidence) -> bool:
    """Weigh the evidence for a disc of the size that the sun is known to have: what hides it is forgiven."""
    return _is_disc(evidence)


def _is_disc(e: LimbEvidence) -> bool:
    """Whether there is the limb of a disc, photographed and not drawn."""
    part = e.coverage < 0.9 * e.in_frame
    long = e.coverage > (LEAST_COVERAGE if part else LEAST_WHOLE)
    broken = e.strong and e.uneven > BROKEN and e.rise_evenness > LOST_EVERYWHERE
    explained = e.structure < (MOST_BEHIND_CLOUD if broken else MOST_STRUCTURE)
    edge = long and e.softness < SOFTEST + SOFTEST_PX / e.radius_px and explained
    smooth = e.scatter < (ROUGHEST_IN_PART if part or e.in_frame < 1.0 else ROUGHEST)
    plain = not part or (e.sharp and e.scatter < SMOOTH)
    # A cup's rim, seen from the side, is bright round the dark.
    low = plain and not e.evenness > RINGED
    outline = smooth and e.oval < (MOST_OVAL if low else MOST_OVAL_IN_PART)
    light = e.step > FAINTEST and e.step > 0.1 * e.sky
    return edge and outline and light and not _drawn(e)


def _drawn(e: LimbEvidence) -> bool:
    """Tell a letter or a line from what was photographed."""
    # A space telescope's binned picture has hardly a blur either, but is no letter's size and shape.
    large = e.strong and e.radius_px > LETTER_PX and e.oval < MOST_OVAL_IN_PART
    letter = e.sigma_px < SHARPEST_PX and e.shown < 0.9 and not large
    # A full-white ring round a dark middle; the eclipsed sun's lit limb is about half of it.
    stroke = e.evenness > RINGED and e.full and not 0.4 < e.shown < 0.62
    return letter or stroke or e.lined > LINED


def _lamp(e: LimbEvidence) -> bool:
    return e.full and e.softness > LAMP_SOFTNESS + 1.2 / e.radius_px


def _relief(e: LimbEvidence) -> bool:
    """Tell a coin, whose face is rough and nowhere of one light, from granulation."""
    return e.face.grain > COARSEST and e.uneven > UNEVEN


def _curve(e: LimbEvidence) -> bool:
    """Tell what bends for a while from an arc of a circle."""
    return e.scatter > ROUGHEST_CURVE * e.coverage + CURVE_PX / e.radius_px


def _opening(e: LimbEvidence) -> bool:
    """Tell what lies behind a round window or holder: light that knows nothing of its edge.

    The sun is darker by its limb under cloud too. Where cloud differs as much as that, or hides much of the
    limb, or sends the fit astray, it cannot be told.
    """
    even = EVEN_LACK < e.lack < EVEN_FALL and e.uneven < BROKEN_MOST and e.saturated < CUT_OFF
    # Where the edge is sharp, light that is weaker by it is no blur's.
    darkened = e.strong and e.evenness < DARKENED
    return even and not darkened and e.shown > STRONG_SHARE and (e.gaps > 1 or e.patchy)


def _painted(e: LimbEvidence) -> bool:
    """Tell the moon, a dial, a sign, a bubble: light without darkening upon what has a face of its own."""
    if e.runs_over:
        return False
    # What lies upon the sun and is not its own lies across its limb.
    own = e.face.mottled > MOTTLED or (e.face.marked > MARKED and e.shown > WHOLE)
    level = e.face.is_level(SURELY if e.uneven > BROKEN_MOST else LIKELY)
    # Within a ring round the moon there is no face.
    flat = level and own and not (e.evenness > RINGED or e.face.brink > RINGED)
    return flat or _film(e) or e.face.as_a_ball < A_BALL


def _film(e: LimbEvidence) -> bool:
    """Tell a bubble, bright at its edge, through which one sees what is beyond."""
    fades = e.face.fade > FADING * e.softness + FADING_BESIDE and e.uneven < BROKEN_MOST
    beyond = (1.0 - e.rise) * e.evenness
    return (e.rim > BRIGHTEST_EDGE or fades) and beyond > SEEN_THROUGH


def _ringed(e: LimbEvidence) -> bool:
    """Tell a sign's or a holder's ring from darkening: its light goes down in a step."""
    if e.uneven > BROKEN_MOST or e.shown < WHOLE or e.softness > NO_BLUR:
        return False
    if e.evenness > RINGED or e.face.brink > RINGED:
        # The moon stands there.
        return False
    if e.face.brink + 2.0 * e.face.brink_sigma < STEEPEST * e.evenness:
        return True
    if e.uneven > UNEVEN or (e.evenness > DARKEST_RIM and e.face.brink > DARKEST_BRINK):
        return False
    fall = log(max(e.face.brink, 1e-3)) / log(min(max(e.evenness, 1e-3), 0.99))
    return fall < EVENLY[0] or fall > EVENLY[1]


def _impostor(e: LimbEvidence) -> bool:
    """Tell what shares most of the sun's marks and lacks one, where the edge alone does not tell enough."""
    reflection = e.even and e.dim
    lamp = _lamp(e) or (e.full and e.sky > 0.3)
    # Behind a solar filter the sky is dark; light beside the disc lies on the lens.
    lit = 0.1 if e.softness > LAMP_SOFTNESS else 0.3
    veil = (e.sky > 0.08 and e.sky > lit * e.step) or e.spill > MOST_SPILL
    part = e.shown < 0.5 or e.coverage < 0.25
    glow = e.softness > 0.025 and part
    ragged = e.scatter > 0.003 and part
    moon = e.rim > BRIGHTEST_RIM
    return reflection or lamp or veil or glow or ragged or moon or e.fall < STRONGEST_FALL
