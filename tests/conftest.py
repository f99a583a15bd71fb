"""Zone rules come from the pinned package in every test, so that a machine with old rules gives the same answers."""

import zoneinfo

from hypothesis import settings

zoneinfo.reset_tzpath(to=[])
# how long an example takes says more about what else the machine does than about the example
settings.register_profile("meterd", deadline=None)
settings.load_profile("meterd")
