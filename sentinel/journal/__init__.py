"""SQLite: what happened and what came of it, in order of arrival. The only room that knows SQL."""

from sentinel.journal.export import export
from sentinel.journal.journal import Journal, Origin
from sentinel.journal.opening import Damaged, Unwritable
from sentinel.journal.outbox import Outbox

__all__ = ["Damaged", "Journal", "Origin", "Outbox", "Unwritable", "export"]
