"""The report's sentences and figures, as `sentences.txt.jinja` words them."""

from typing import Any

import numpy as np

from sentinel.chain.notify.counting import counts_words
from sentinel.core.pages import said
from sentinel.jobs.report import constancy
from sentinel.jobs.report.forecast_checks import CLAIMED_SHARE
from sentinel.jobs.spots import motion

Fact = tuple[str, str]
"""A name and what there is to say."""

ROTATION_SOURCE = "Balthasar, Vázquez and Wöhl 1986, Astronomy and Astrophysics 155, 87"


def sentences(what: str, *of: Any) -> list[str]:
    """Return what there is to say: `verdict`, `forecast_lines`, `mount_lines` of an analysis, and others."""
    return said(
        __package__,
        "sentences.txt.jinja",
        what,
        *of,
        percent=percent,
        rounded_km=rounded_km,
        counts_words=counts_words,
        claimed_share=CLAIMED_SHARE,
        size=constancy,
        motion_source=ROTATION_SOURCE,
        fewest_sightings=motion.FEWEST,
    )


def facts(what: str, *of: Any) -> list[Fact]:
    """Return what there is to say under its name: `key_facts`, `sun_facts` of an analysis, `size_facts`."""
    return [(name, words) for name, _, words in (one.partition(": ") for one in sentences(what, *of))]


def percent(share: float) -> str:
    """Return a share, never rounded up to the whole."""
    if not share > 0:
        return "none"
    shown = f"{np.floor(share * 1000) / 10:.1f} %"
    return "all" if share >= 0.99995 else shown


def rounded_km(distance_km: float) -> str:
    """Return a distance to two digits, rounded down."""
    digits = 10 ** max(int(np.floor(np.log10(distance_km))) - 1, 0)
    return f"{int(distance_km // digits * digits):,}"
