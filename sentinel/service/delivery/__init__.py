"""Getting messages through: the outbox's worker, the ways to people, secrets, the heartbeat.

Nothing is imported here: the sending process is started from this room and must start quickly.
"""
