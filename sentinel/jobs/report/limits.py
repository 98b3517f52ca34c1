"""What the method can and cannot show: fixed sentences, to be read before believing the rest."""

_TEXT = """
The page proves what is in the journal, not that nobody made the journal. Against that stand the running
hash, where it left the computer at the time, and the pictures themselves: sunspots, clouds and seeing can
be compared with what others recorded.

The scale in arcseconds a pixel comes from the disc itself. So the mean radius tests the lens's marking, not
the sun; that the radius keeps to the computed one through every height and hour is what tests the sun.

The computed track has free numbers: where the axis points, how fast the drive runs, how the camera is
rolled, and where it was pointed after each re-centring. A picture of a lamp could be followed with some of
them, but not through refraction near the horizon and the sun's own motion over days.

Refraction is a formula for usual air. Within a degree or two of the horizon the real air differs by
arcminutes, and the residuals there show it.

A black picture tells nothing: cloud, a cap and an empty frame look alike. Such times count as not seen,
never as recorded.

Times are the camera's, corrected by the offset above. An error of the clock by one second moves the
computed sun by 15 arcseconds along its path, which the fitted pointing takes up; a wrong zone or date does
not fit.

What a picture's values mean in light is known only roughly for a JPEG, so the light is good for comparison
within the session and no photometry.
"""

LIMITS = tuple(" ".join(part.split()) for part in _TEXT.strip().split("\n\n"))
"""In the order in which a reader would ask."""
