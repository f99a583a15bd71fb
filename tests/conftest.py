"""Zone rules come from the pinned package in every test, so that a machine with old rules gives the same answers."""

import zoneinfo

zoneinfo.reset_tzpath(to=[])
