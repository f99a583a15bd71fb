"""Rules for [notify]: each way is whole or not there, and no password goes over an open line."""

from meterd.adapters.planfile.checks.site import HIGHEST_PORT
from meterd.adapters.planfile.draft import Draft
from meterd.adapters.planfile.fault import Notes
from meterd.core.model.plan import Notify

_EMAIL = ("email_to", "email_from", "smtp_host")


def check_notify(draft: Draft, notes: Notes) -> None:
    """Mail needs a server, a sender and a receiver; a secret has one place and a safe way."""
    if draft.notify is None:
        return
    row, sound = draft.notify.row, draft.notify.sound
    data = Notify(**draft.notify.data.model_dump())
    missing = [key for key in _EMAIL if not getattr(data, key) and sound(key)]
    if missing and len(missing) < len(_EMAIL):
        notes.fault(row.place, f"{missing[0]} is missing", f"mail needs {', '.join(_EMAIL)}")
    if data.smtp_port > HIGHEST_PORT:
        notes.fault(row.at("smtp_port"), f"there is no port {data.smtp_port}", "write 587, or 465 with tls")
    if data.smtp_password_env and data.smtp_password_file:
        right = "keep smtp_password_env or smtp_password_file"
        notes.fault(row.at("smtp_password_file"), "the password has two places", right)
    if data.webhook_secret_env and data.webhook_secret_file:
        right = "keep webhook_secret_env or webhook_secret_file"
        notes.fault(row.at("webhook_secret_file"), "the secret has two places", right)
    if data.smtp_username and data.smtp_security == "none" and sound("smtp_security"):
        what = "the password would go over an open line"
        notes.fault(row.at("smtp_security"), what, 'write smtp_security = "starttls" or "tls"')
    if data.webhook_url.startswith("http:") and (data.webhook_secret_env or data.webhook_secret_file):
        notes.warn(
            row.at("webhook_url"), "the secret goes over an open line", "write https:// unless it stays on this machine"
        )
