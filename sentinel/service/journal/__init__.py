"""SQLite: what happened and what came of it, in order of arrival. The only room that knows SQL."""
