"""The ways out that a plan names."""

from meterd.adapters.notify.email import EmailChannel
from meterd.adapters.notify.webhook import WebhookChannel
from meterd.core.model.plan import Notify


def channels(settings: Notify) -> list[EmailChannel | WebhookChannel]:
    """The ways the plan names."""
    results: list[EmailChannel | WebhookChannel] = []
    if settings.email_to:
        results.append(EmailChannel(settings))
    if settings.webhook_url:
        results.append(WebhookChannel(settings))
    return results
