"""What the disc is doing: carried, put elsewhere, stopped, turned back, gone; decided in one place."""

from sentinel.chain.track.context import Context
from sentinel.chain.track.follow import Follower
from sentinel.chain.track.parts import parts_of
from sentinel.chain.track.state import Track

__all__ = ["Context", "Follower", "Track", "parts_of"]
