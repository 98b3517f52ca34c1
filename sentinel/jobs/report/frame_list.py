"""The list of a session's pictures with their hashes, as standard tools read it. Pure."""

from sentinel.core.files import shown_name
from sentinel.jobs.report.record import Record

LIST_NAME = "frames.sha256"

CHECK_FILES = f"sha256sum -c {LIST_NAME}"
CHECK_CHAIN = f"""\
h=; while read -r s name; do s=${{s#\\\\}}; h=$(printf %s "$h$s" | tr a-f A-F |
basenc -d --base16 | sha256sum | cut -c1-64); done < {LIST_NAME}; echo $h"""
"""The running hash from the list alone: the SHA-256 of the one before and of the next file's, as bytes."""


def frame_list(record: Record) -> str:
    """Return a line for each picture that was hashed, in order of arrival, as `sha256sum` reads it."""
    frames = [*record.frames, *record.strays]
    linked = [(record.links[id(frame)].number, frame) for frame in frames if id(frame) in record.links]
    return "".join(
        checksum_line(frame.sha256, frame.frame) for _, frame in sorted(linked, key=lambda pair: pair[0])
    )


def checksum_line(sha256: str, name: str) -> str:
    """Return a file's line; GNU's `sha256sum` marks names in which it escapes a backslash by one in front."""
    name = shown_name(name)
    mark = "\\" if "\\" in name else ""
    escaped = name.replace("\\", "\\\\")
    return f"{mark}{sha256}  {escaped}\n"
