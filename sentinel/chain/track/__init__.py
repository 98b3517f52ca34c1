"""What the disc is doing: carried, put elsewhere, stopped, turned back, gone; decided in one place."""

from sentinel.chain.track.context import Context
from sentinel.chain.track.follow import Follower, Track
from sentinel.chain.track.parts import parts_of

__all__ = ["Context", "Follower", "Track", "parts_of"]
