"""Notification by webhook: one HTTP POST of JSON; any answer from 200 to 299 means delivered."""

import http.client
import json
import ssl
import urllib.error
import urllib.request
from collections.abc import Mapping
from email.message import Message
from typing import IO

from meterd import __version__
from meterd.adapters.notify.sender import secret_of
from meterd.core.errors import NotifyError, without
from meterd.core.model.plan import Notify
from meterd.core.texts.notification_digest import NotificationText, one_line

ANSWER_BYTES = 1024  # of an answer are read; what it says beyond the code is only for the log
_LATER = (408, 425, 429)  # RFC 9110 and 6585: the request was right, the moment was not


class _NoRedirect(urllib.request.HTTPRedirectHandler):
    """A redirect would carry the secret to another host."""

    def redirect_request(
        self, req: urllib.request.Request, fp: IO[bytes], code: int, msg: str, headers: Message, newurl: str
    ) -> None:
        """Refuse: the answer is then an error with its code."""


class WebhookChannel:
    """Posts to one address."""

    name = "webhook"

    def __init__(self, settings: Notify) -> None:
        self._settings = settings

    def send(self, message: NotificationText, now_ms: int) -> str:
        """Deliver; NotifyError for every answer that is not a success."""
        settings = self._settings
        hidden = secret_of(settings.webhook_secret_env, settings.webhook_secret_file, "the secret of the webhook")
        request = self._request(message.fields, hidden)
        where = f"webhook {request.host}"
        try:
            with self._opener().open(request, timeout=settings.timeout_s) as answer:
                answer.read(ANSWER_BYTES)
                return ""
        except urllib.error.HTTPError as exc:
            with exc:
                text = one_line(without(exc.read(ANSWER_BYTES).decode(errors="replace"), hidden), 200)
            again = exc.code >= 500 or exc.code in _LATER
            raise NotifyError(f"{where} answers {exc.code} {without(exc.reason, hidden)}: {text}", again=again) from exc
        except (OSError, http.client.HTTPException, ValueError) as exc:  # URLError and time-outs are OSErrors
            raise NotifyError(f"{where} cannot be reached: {one_line(str(exc), 200) or type(exc).__name__}") from exc

    def _request(self, fields: Mapping[str, object], hidden: str) -> urllib.request.Request:
        settings = self._settings
        body = json.dumps(fields, allow_nan=False, ensure_ascii=False).encode()
        headers = {"Content-Type": "application/json", "User-Agent": f"meterd/{__version__}"}
        if hidden:
            headers[settings.webhook_header] = hidden
        return urllib.request.Request(settings.webhook_url, data=body, headers=headers, method="POST")

    def _opener(self) -> urllib.request.OpenerDirector:
        context = ssl.create_default_context(cafile=self._settings.webhook_ca_file or None)
        return urllib.request.build_opener(_NoRedirect(), urllib.request.HTTPSHandler(context=context))
