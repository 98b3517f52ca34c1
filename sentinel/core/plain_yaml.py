"""YAML files read as people write them: 1.2's core words and numbers, each key once."""

import re
from pathlib import Path
from typing import Any

import yaml

from sentinel.core.complaints import shown_key
from sentinel.core.errors import RequestProblem, refused


class _Loader(yaml.SafeLoader):
    """YAML 1.2's core schema, each key once: `no` is a word, `12:30` is text, `1e3` is a number."""

    yaml_implicit_resolvers: dict[str, list[tuple[str, re.Pattern[str]]]] = {}  # noqa: RUF012


for _tag, _pattern, _first in (
    ("bool", r"true|True|TRUE|false|False|FALSE", "tTfF"),
    ("int", r"[-+]?[0-9]+|0o[0-7]+|0x[0-9a-fA-F]+", "-+0123456789"),
    ("float", r"[-+]?(?:\.[0-9]+|[0-9]+(?:\.[0-9]*)?)(?:[eE][-+]?[0-9]+)?", "-+.0123456789"),
    ("null", r"~|null|Null|NULL|", ["~", "n", "N", ""]),
):
    _Loader.add_implicit_resolver(f"tag:yaml.org,2002:{_tag}", re.compile(rf"^(?:{_pattern})$"), list(_first))


def _int_10(loader: yaml.SafeLoader, node: yaml.ScalarNode) -> int:
    text = loader.construct_scalar(node)
    return int(text, 0) if text.lower().lstrip("+-").startswith(("0x", "0o")) else int(text)


def _mapping_once(loader: yaml.SafeLoader, node: yaml.MappingNode) -> dict[Any, Any]:
    seen: set[str] = set()
    for key, _ in node.value:
        if not isinstance(key, yaml.ScalarNode):
            raise yaml.constructor.ConstructorError(None, None, "a key must be a word", key.start_mark)
        if key.value in seen:
            raise yaml.constructor.ConstructorError(
                None, None, f"the key {key.value!r} stands twice", key.start_mark
            )
        seen.add(key.value)
    return dict(loader.construct_pairs(node, deep=True))


_Loader.add_constructor("tag:yaml.org,2002:int", _int_10)
_Loader.add_constructor("tag:yaml.org,2002:map", _mapping_once)


def _shown(text: str) -> str:
    return text if len(text) == 1 or text.startswith("<") else shown_key(text)


def _refuse_strange_texts(content: Any, key: str, path: Path) -> None:
    """Refuse characters that are in no name and no text: they would break whatever they come to."""
    if isinstance(content, dict):
        for name, value in content.items():
            _refuse_strange_texts(name if isinstance(name, str) else "", key, path)
            _refuse_strange_texts(value, f"{key}.{shown_key(name)}".lstrip("."), path)
    elif isinstance(content, list | tuple | set):
        for value in content:
            _refuse_strange_texts(value, key, path)
    elif isinstance(content, str) and re.search("[\0\ud800-\udfff]", content):
        raise RequestProblem(
            f"{key or 'a key'} holds a character that is in no text (NUL, or half of a pair)",
            where=str(path),
            mend="write it anew",
        )


def read_yaml(path: Path) -> dict[str, Any]:
    """Return the mapping a YAML file holds.

    Raises `RequestProblem` if the file cannot be read, is no YAML, or is not a mapping at its top.
    """
    with refused("cannot be read", where=path, mend="check the path"):
        written = path.read_bytes()
    try:
        content = yaml.load(written, Loader=_Loader)  # noqa: S506 - derived from SafeLoader
    except Exception as error:  # noqa: BLE001 - impossible tags raise anything
        mark = getattr(error, "problem_mark", None)
        line = f" line {mark.line + 1}" if mark else ""
        what = getattr(error, "problem", None) or "is not readable as YAML"
        # What stands in quotes was written there, and may be a secret.
        what = re.sub(r"'([^']*)'", lambda found: f"'{_shown(found[1])}'", what)
        raise RequestProblem(f"{what}", where=f"{path}{line}", mend="mend the YAML there") from None
    _refuse_strange_texts(content, "", path)
    if content is None:
        return {}
    if not isinstance(content, dict):
        raise RequestProblem("holds no settings", where=str(path), mend="start it with lines like `site:`")
    return content


def overlay(base: dict[str, Any], over: dict[str, Any]) -> dict[str, Any]:
    """Return `base` with the keys of `over` laid on top, section by section."""
    merged = dict(base)
    for key, value in over.items():
        below = merged.get(key)
        both = isinstance(below, dict) and isinstance(value, dict)
        merged[key] = overlay(below, value) if both else value  # type: ignore[arg-type]
    return merged
