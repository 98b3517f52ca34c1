"""Files -> frames: past sessions and live folders, decoding, exposure times."""
