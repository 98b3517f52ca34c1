"""SQLite: what happened and what came of it, in order of arrival. The only room that knows SQL."""

from sentinel.journal.export import export
from sentinel.journal.journal import Journal, Origin

__all__ = ["Journal", "Origin", "export"]
