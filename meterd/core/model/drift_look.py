"""Whether the drift watch has looked at the site: before it has, nothing can be called all right."""

from enum import StrEnum


class DriftLook(StrEnum):
    """Of the newest examination: not made yet, made without a whole day to examine, failed, or done."""

    TO_COME = "to_come"
    NO_DAY = "no_day"
    FAILED = "failed"
    DONE = "done"
