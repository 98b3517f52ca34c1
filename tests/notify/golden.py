"""Writes the golden texts anew, for a person to read through.

python tests/notify/golden.py > tests/notify/golden.txt
"""

import sys
from pathlib import Path

sys.path.insert(0, str(Path(__file__).parents[2]))

from sentinel.chain.notify.wording import message, sms, title_and_body
from sentinel.core.records import Incident
from sentinel.core.settings import Settings, validate
from tests.notify.incidents import EVERY


def settings(zone: str | None = None) -> Settings:
    content = {
        "site": {"latitude_deg": 70.37, "longitude_deg": 31.1},
        "camera": {"focal_length_mm": 400, "pixel_pitch_um": 3.92},
        "alerts": {"zone": zone},
    }
    return validate(content, where="test")


def texts(name: str, incident: Incident) -> str:
    """Return one incident's block of the golden file."""
    title, body = title_and_body(incident, settings())
    return f"[{name}]\nsentence: {message(incident)}\ntitle: {title}\nbody: {body}\nshort: {sms(incident)}\n"


def everything() -> str:
    return "\n".join(texts(name, incident) for name, incident in EVERY.items())


if __name__ == "__main__":
    print(everything(), end="")
