"""For all tests: how long an example takes on a busy machine says nothing of the code."""

from hypothesis import settings

settings.register_profile("any machine", deadline=None)
settings.load_profile("any machine")
