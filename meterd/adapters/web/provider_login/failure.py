"""Why a login by a provider failed: a kind that the page has words for, and the reason for the operator."""

from meterd.core.errors import MeterdError


class LoginFailed(MeterdError):
    """A login that did not come about. `kind` names the words for the person; the text is for the log."""

    def __init__(self, kind: str, text: str, *, person: str = "") -> None:
        super().__init__(text)
        self.kind = kind
        self.person = person
