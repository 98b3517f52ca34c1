"""What the computer says of itself: space, whether its clock is right, which run of it this is."""

import os
import shutil
import uuid
from contextlib import suppress
from functools import lru_cache
from pathlib import Path

from sentinel.core.times import known_zone

_SYNCHRONISED = Path("/run/systemd/timesync/synchronized")
_LOCAL_TIME = Path("/etc/localtime")
_BOOT_ID = Path("/proc/sys/kernel/random/boot_id")


def free_bytes(folder: Path) -> int | None:
    """Return the free space of a folder's disk; None: it cannot be told."""
    try:
        return shutil.disk_usage(folder).free
    except OSError:
        return None


def synchronised() -> bool | None:
    """Return whether the computer has heard the time from elsewhere; None: it cannot be told."""
    if _SYNCHRONISED.exists():
        return True
    return False if _SYNCHRONISED.parent.exists() else None


@lru_cache(maxsize=1)
def boot_id() -> str:
    """Return what tells this run of the computer from others; else what tells this run of the watch."""
    with suppress(OSError):
        return _BOOT_ID.read_text(encoding="ascii").strip().replace("-", "")
    # A unit that hides the kernel's own word passes it on.
    return os.environ.get("SENTINEL_BOOT_ID", "") or uuid.uuid4().hex


def system_zone() -> str | None:
    """Return the time zone this computer is set to; None: it cannot be told."""
    try:
        name = known_zone(str(_LOCAL_TIME.readlink()).partition("zoneinfo/")[2])
    except (OSError, ValueError):
        return None
    return name if "/" in name and not name.startswith("Etc/") else None
