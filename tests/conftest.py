"""For all tests: how long an example takes on a busy machine says nothing; a run is like the last.

Other examples than those are sought by `pytest --hypothesis-profile=searching`.
"""

from hypothesis import settings

settings.register_profile("searching", deadline=None)
settings.register_profile("any machine", deadline=None, derandomize=True)
settings.load_profile("any machine")
