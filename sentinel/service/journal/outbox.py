"""The outbox: one row an alert and target, from the commit that caused it until it is settled.

Rows are added by the writer of events, in the transaction of the event that caused them, and moved on by
whoever delivers, on a connection of its own. Both take the write lock at the start of a transaction, never
half-way, and hold it for one small commit: SQLite itself lets one in at a time, so neither needs the other's
thread. Handing results back to the writer of events would make a message wait for whatever it is at.
"""

import json
import sqlite3
from collections.abc import Collection, Iterable, Iterator, Sequence
from datetime import datetime
from pathlib import Path
from typing import Any

from sentinel.chain.notify.sending import Circumstances
from sentinel.core.errors import Problem
from sentinel.core.records import OF_TROUBLE, Alert, Forecast, Incident, Mark, MeasuredFrame, Posting, Tick
from sentinel.core.times import from_utc_s, utc_s
from sentinel.service.journal.codec import decode, encode
from sentinel.service.journal.migrations import check_version, migrate
from sentinel.service.journal.opening import Database, as_journal_errors, connected
from sentinel.service.journal.rows import Messages, OutboxRow, PictureScene

WAY_FRAMES = 720
"""So many frames tell a picture where the disc came from."""


def post(db: sqlite3.Connection, alerts: Sequence[tuple[int, Alert]], postings: Iterable[Posting]) -> None:
    """Add rows inside the caller's transaction; `alerts` are the outcome's, each with its number."""
    db.executemany(
        "INSERT INTO outbox (alert, target, topics, kind, rank, due_utc_s, expires_utc_s, state)"
        " VALUES (?, ?, ?, ?, ?, ?, ?, 'waiting')",
        [
            (
                alerts[posting.alert][0],
                posting.target,
                json.dumps(sorted(alerts[posting.alert][1].topics)),
                alerts[posting.alert][1].kind,
                alerts[posting.alert][1].severity.rank,
                utc_s(posting.due_utc),
                utc_s(posting.expires_utc),
            )
            for posting in postings
        ],
    )


def _told_of(others: Iterable[tuple[str, str]], kinds: Collection[str]) -> frozenset[tuple[str, str]]:
    """Return the topics of those messages that are of certain kinds."""
    return frozenset(
        (condition, which)
        for kind, topics in others
        if kind in kinds
        for condition, which in json.loads(topics)
    )


_ROW = (
    "SELECT o.number, o.alert, a.body, o.target, o.due_utc_s, o.expires_utc_s, o.attempts, o.doubtful"
    " FROM outbox o JOIN outcome a ON a.seq = o.alert"
)


class Outbox(Database):
    """The delivering side of a journal's outbox, on a connection of its own.

    Where the journal cannot be written, nothing is changed.
    """

    def __init__(self, db: sqlite3.Connection, path: Path, *, writable: bool = True) -> None:
        super().__init__(db, path)
        self._writable = writable

    @classmethod
    def open(cls, path: Path, *, writable: bool = True) -> "Outbox":
        """Open the outbox of an existing journal, for one thread."""
        db = connected(path, "rw" if writable else "ro", writing=False)
        try:
            with as_journal_errors(path):
                if writable:
                    # What was sent must stay known as sent through a power cut.
                    db.execute("PRAGMA synchronous = FULL")
                check_version(db, where=str(path))
                db.execute("SELECT 1 FROM outbox LIMIT 1").fetchone()
        except Problem:
            db.close()
            raise
        return cls(db, path, writable=writable)

    @classmethod
    def in_memory(cls) -> "Outbox":
        """Return an outbox of no journal, for what must be said though no journal can be written."""
        db = sqlite3.connect(":memory:", isolation_level=None)
        migrate(db, where="memory")
        return cls(db, Path("memory"))

    def add(self, alert: Alert, postings: Iterable[Posting], now_utc: datetime, *, doubtful: int = 0) -> None:
        """Put an alert in that no event of the journal caused; `doubtful`: it may have arrived before.

        It stands with the last event there is: one made up for it would be gone through at the next start as
        if time had passed, and what comes of that would never be said.
        """
        with self._transaction():
            (event,) = self._db.execute("SELECT max(seq) FROM event").fetchone()
            event = event or self._first_event(min(alert.time_utc, now_utc))
            number = self._db.execute(
                "INSERT INTO outcome (event_seq, kind, body) VALUES (?, 'alert', ?)", (event, encode(alert))
            ).lastrowid
            assert number is not None  # noqa: S101 - an insert has a row number
            post(self._db, [(number, alert)], postings)
            if doubtful:
                self._db.execute("UPDATE outbox SET doubtful = ? WHERE alert = ?", (doubtful, number))

    def _first_event(self, at_utc: datetime) -> int | None:
        return self._db.execute(
            "INSERT INTO event (kind, now_utc, body) VALUES ('tick', ?, ?)",
            (at_utc.isoformat(), encode(Tick(time_utc=at_utc))),
        ).lastrowid

    # What there is to do.

    def next_due(self, target: str, now_utc: datetime, *, but: Iterable[int] = ()) -> OutboxRow | None:
        """Return what goes to a target first: the most severe, of those the oldest; `but` are left out."""
        left_out = ",".join(str(int(number)) for number in but)
        # A row that lies open is due again as well: who asks has no attempt under way.
        query = (
            f"{_ROW} WHERE o.target = ? AND o.state IN ('waiting', 'trying') AND o.due_utc_s <= ?"
            f" AND o.number NOT IN ({left_out}) ORDER BY o.rank, o.number LIMIT 1"
        )
        return next(self._rows(query, (target, utc_s(now_utc))), None)

    def targets_waiting(self) -> frozenset[str]:
        """Return the targets that anything waits for."""
        query = "SELECT DISTINCT target FROM outbox WHERE state IN ('waiting', 'trying')"
        return frozenset(target for (target,) in self._all(query))

    def circumstances(self, row: OutboxRow, now_utc: datetime) -> Circumstances:
        """Return what is known as a row is about to be sent, above all what became of its condition since."""
        after, topics = row.alert_number, row.alert.topics
        cleared = {
            topic: incident.time_utc
            for incident in self._cleared_after(after)
            if (topic := incident.key) in topics
        }
        later = self._others(row, "number > ? AND state IN ('waiting', 'trying')")
        earlier = self._others(row, "number < ?")
        same = frozenset({"digest"}) if row.alert.kind == "digest" else OF_TROUBLE
        return Circumstances(
            now_utc=now_utc,
            expires_utc=row.expires_utc,
            # Of several things, all must be over.
            cleared_utc=max(cleared.values()) if len(cleared) == len(topics) else None,
            seen=self._seen_after(after),
            newer=topics <= _told_of(later, same),
            clear_waits=topics <= _told_of(later, {"clear"}),
            told=bool(topics & _told_of(earlier, OF_TROUBLE)),
            maybe_arrived=row.doubtful > 0,
        )

    def _others(self, row: OutboxRow, which: str) -> list[Any]:
        """Return kind and topics of the target's other messages on any of the same topics."""
        wanted = [json.dumps(topic) for topic in sorted(row.alert.topics)]
        any_of = " OR ".join("instr(topics, ?)" for _ in wanted)
        query = f"SELECT kind, topics FROM outbox WHERE target = ? AND {which} AND ({any_of})"  # noqa: S608
        return self._all(query, (row.target, row.number, *wanted))

    def _cleared_after(self, number: int) -> Iterator[Incident]:
        query = (
            "SELECT body FROM outcome WHERE kind = 'incident' AND seq > ?"
            " AND json_extract(body, '$.state') = 'cleared' ORDER BY seq"
        )
        for (body,) in self._all(query, (number,)):
            yield decode(Incident, body)

    def _seen_after(self, number: int) -> bool:
        query = (
            "SELECT body FROM event WHERE kind = 'mark' AND seq >"
            " (SELECT event_seq FROM outcome WHERE seq = ?)"
        )
        return any(decode(Mark, body).kind == "seen" for (body,) in self._all(query, (number,)))

    # What was done.

    def begin(self, row: OutboxRow) -> None:
        """Note that an attempt begins, before anything is sent."""
        self._change(
            "UPDATE outbox SET state = 'trying', attempts = attempts + 1 WHERE number = ?", (row.number,)
        )

    def delivered(self, row: OutboxRow, now_utc: datetime, why: str = "") -> None:
        """Settle a row; what waited only because the target was out of reach is due again at once."""
        now_s = utc_s(now_utc)
        with self._transaction():
            self._db.execute(
                "UPDATE outbox SET state = 'delivered', settled_utc_s = ?, why = ? WHERE number = ?",
                (now_s, why, row.number),
            )
            self._db.execute(
                "UPDATE outbox SET due_utc_s = min(due_utc_s, ?), link_down = 0"
                " WHERE target = ? AND state = 'waiting' AND link_down = 1",
                (now_s, row.target),
            )

    def again(
        self, row: OutboxRow, due_utc: datetime, why: str, *, doubtful: int = 0, link_down: bool = False
    ) -> None:
        """Keep a row for another attempt.

        `doubtful`: how many of the attempts that failed may have arrived all the same.
        `link_down`: the target was out of reach, so that it says nothing about the message.
        """
        self._change(
            "UPDATE outbox SET state = 'waiting', due_utc_s = ?, why = ?, doubtful = doubtful + ?,"
            " link_down = ? WHERE number = ?",
            (utc_s(due_utc), why, doubtful, int(link_down), row.number),
        )

    def drop(self, row: OutboxRow, now_utc: datetime, why: str) -> None:
        """Settle a row that is not to be sent."""
        self._change(
            "UPDATE outbox SET state = 'dropped', settled_utc_s = ?, why = ? WHERE number = ?",
            (utc_s(now_utc), why, row.number),
        )

    def drop_all(self, target: str, now_utc: datetime, why: str) -> None:
        """Settle everything that waits for a target without sending it."""
        self._change(
            "UPDATE outbox SET state = 'dropped', settled_utc_s = ?, why = ?"
            " WHERE target = ? AND state IN ('waiting', 'trying')",
            (utc_s(now_utc), why, target),
        )

    def resume(self, now_utc: datetime) -> int:
        """Put back what a crash left half-way, as doubtful; return how many rows that were."""
        return self._change(
            "UPDATE outbox SET state = 'waiting', doubtful = doubtful + 1, due_utc_s = ?"
            " WHERE state = 'trying'",
            (utc_s(now_utc),),
        )

    def clock_stepped(self, step_s: float, now_utc: datetime) -> None:
        """Keep what waits from being held back, or given up, because the computer's clock was set."""
        self._change(
            "UPDATE outbox SET expires_utc_s = expires_utc_s + ?,"
            " due_utc_s = CASE WHEN attempts > 0 THEN min(due_utc_s, ?) ELSE due_utc_s END"
            " WHERE state IN ('waiting', 'trying')",
            (step_s, utc_s(now_utc)),
        )

    # What is known.

    def messages(self) -> Messages:
        """Return how messages get through, on all channels."""
        ((waiting, settled_s),) = self._all(
            "SELECT sum(state IN ('waiting', 'trying')), max(settled_utc_s) FROM outbox"
            " WHERE state <> 'dropped'"
        )
        query = f"{_ROW} WHERE o.state = 'delivered' ORDER BY o.settled_utc_s DESC LIMIT 1"
        last = next(self._rows(query, ()), None)
        query = f"{_ROW} WHERE o.state IN ('waiting', 'trying') ORDER BY o.number LIMIT 1"
        oldest = next(self._rows(query, ()), None)
        return Messages(
            last_utc=None if settled_s is None else from_utc_s(settled_s),
            last_title=last.alert.title if last else "",
            last_target=last.target if last else "",
            waiting=waiting or 0,
            trouble=f"{oldest.target}: {self.trouble(oldest.target) or 'not tried yet'}" if oldest else "",
        )

    def trouble(self, target: str) -> str:
        """Return what the last attempt failed of, where messages wait for a target; empty: none failed."""
        whys = self._all(
            "SELECT why FROM outbox WHERE target = ? AND state IN ('waiting', 'trying') AND why <> ''"
            " ORDER BY number DESC LIMIT 1",
            (target,),
        )
        return str(whys[0][0]) if whys else ""

    def scene(self, alert: Alert, alert_number: int) -> PictureScene | None:
        """Return what a picture for an alert is drawn from; None where its frame is not in the journal."""
        frames: list[MeasuredFrame] = []
        query = (
            "SELECT body FROM event WHERE kind = 'frame' AND seq <="
            " (SELECT event_seq FROM outcome WHERE seq = ?) ORDER BY seq DESC LIMIT ?"
        )
        for (body,) in self._all(query, (alert_number, WAY_FRAMES)):
            frames.append(decode(MeasuredFrame, body))
        frames.reverse()
        places = [place for place, frame in enumerate(frames) if frame.frame == alert.attachment]
        if not places:
            return None
        forecasts = self._all(
            "SELECT body FROM outcome WHERE kind = 'forecast' AND seq <= ? ORDER BY seq DESC LIMIT 1",
            (alert_number,),
        )
        return PictureScene(
            frame=frames[places[-1]],
            way=tuple(frames[: places[-1]]),
            forecast=decode(Forecast, forecasts[0][0]) if forecasts else None,
        )

    # How.

    def _rows(self, query: str, values: tuple[Any, ...]) -> Iterator[OutboxRow]:
        for number, alert, body, target, due_s, expires_s, attempts, doubtful in self._all(query, values):
            try:
                said = decode(Alert, body)
            except ValueError:
                # Damaged, or written by another version: it must not hold up what comes after it.
                self._give_up(number)
                continue
            yield OutboxRow(
                number=number,
                alert_number=alert,
                alert=said,
                target=target,
                due_utc=from_utc_s(due_s),
                expires_utc=from_utc_s(expires_s),
                attempts=attempts,
                doubtful=doubtful,
            )

    def _give_up(self, number: int) -> None:
        if self._writable:
            self._change(
                "UPDATE outbox SET state = 'dropped', why = 'cannot be read' WHERE number = ?", (number,)
            )

    def _all(self, query: str, values: tuple[Any, ...] = ()) -> list[tuple[Any, ...]]:
        return list(self._select(query, values))

    def _change(self, statement: str, values: tuple[Any, ...]) -> int:
        with self._transaction():
            return self._db.execute(statement, values).rowcount
