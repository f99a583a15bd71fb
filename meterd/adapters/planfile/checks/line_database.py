"""Rules for [line_store]: a database is whole or not there, and no token goes over an open line unseen."""

from meterd.adapters.planfile.draft import Draft
from meterd.adapters.planfile.fault import Notes
from meterd.core.model.plan import LineStore

LARGEST_BATCH = 5_000  # above it servers answer more slowly per line, and halving after a bad line takes longer


def check_line_store(draft: Draft, notes: Notes) -> None:
    """Address and bucket belong together; the token has one place."""
    if draft.line_store is None:
        return
    row, sound = draft.line_store.row, draft.line_store.sound
    data = LineStore(**draft.line_store.data.model_dump())
    for key, right in (("url", "write url, such as http://localhost:8086"), ("bucket", "write the bucket to fill")):
        if not getattr(data, key) and sound(key):
            notes.fault(row.place, f"{key} is missing", right)
    if data.batch > LARGEST_BATCH and sound("batch"):
        notes.fault(row.at("batch"), f"{data.batch} lines are too many for one request", "write at most 5000")
    if data.token_env and data.token_file:
        notes.fault(row.at("token_file"), "the token has two places", "keep token_env or token_file")
    if data.url.startswith("http:") and (data.token_env or data.token_file):
        right = "write https:// unless it stays on this machine"
        notes.warn(row.at("url"), "the token goes over an open line", right)
    if data.url.startswith("http:") and data.ca_file:
        notes.fault(row.at("ca_file"), "a certificate is given, but the address is http", "write https://")
