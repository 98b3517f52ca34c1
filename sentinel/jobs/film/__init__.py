"""A session as a film: the sun held still and turned the same way up, and what was not seen shown as that.

`request` is what is asked for, `story` what is shown of which frame, `stamp` the words on it, `rendering` makes
pictures of both, `video` and `stills` write them, `strip` draws the sun's hours over the horizon.
"""

from sentinel.jobs.film.making import FilmSummary, film
from sentinel.jobs.film.request import STAMPS, FilmRequest


__all__ = ["STAMPS", "FilmRequest", "FilmSummary", "film"]
