"""A session as a film: the sun held still, turned the same way up, and what was not seen shown as that.

`request` is what is asked for, `session` the session read for it, `story` what is shown of which frame,
`stamp` the words on it; `rendering` makes pictures of these, `video` and `stills` write them, `making` has it
all done in order. `strip` draws the sun's hours over the horizon.
"""

from sentinel.jobs.film.making import FilmSummary, film
from sentinel.jobs.film.request import STAMPS, FilmRequest
from sentinel.jobs.film.strip import StripSummary, strip_of

__all__ = ["STAMPS", "FilmRequest", "FilmSummary", "StripSummary", "film", "strip_of"]
