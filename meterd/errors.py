"""The exception tree.

MeterdError
├── ConfigError     the metering plan or the command line is wrong
├── SourceError     a reading cannot be had or decoded
├── StoreError      the journal or a roll-up cannot be kept or read
└── PublishError    a derived value cannot be put on the network

Bad data is not an exception: it is a quality flag and a finding. Texts say what failed, with what, why and what to do;
lower case, no full stop.
"""


class MeterdError(Exception):
    """Anything this program refuses or cannot do, in words for the person at the terminal."""


class ConfigError(MeterdError):
    """The metering plan or an argument is wrong."""


class SourceError(MeterdError):
    """A reading cannot be had or decoded."""


class StoreError(MeterdError):
    """The journal or a roll-up cannot be kept or read."""


class PublishError(MeterdError):
    """A derived value cannot be put on the network."""
