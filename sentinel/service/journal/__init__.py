"""SQLite: what happened and what came of it, in order of arrival. The only room that knows SQL."""

from sentinel.service.journal.export import export
from sentinel.service.journal.journal import Journal, Origin
from sentinel.service.journal.opening import Damaged, Unwritable
from sentinel.service.journal.outbox import Outbox

__all__ = ["Damaged", "Journal", "Origin", "Outbox", "Unwritable", "export"]
