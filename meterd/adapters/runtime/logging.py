"""How the log is written: plain lines for a person, or one JSON object a line for a program. One line per change of state."""

import json
import logging
import sys
from datetime import UTC, datetime

PLAIN = "%(asctime)s %(levelname)s %(message)s"
FORMS = ("text", "json")


def about(event: str, subject: str = "") -> dict[str, str]:
    """What a line is about, as `extra` of a log call: a stable name of what happened, and to whom or what."""
    return {"event": event, "subject": subject}


class JsonLines(logging.Formatter):
    """One object a line: `time` (RFC 3339, UTC, milliseconds), `level`, `event`, `subject`, `text`."""

    def format(self, record: logging.LogRecord) -> str:
        """The line; a text with line breaks stays one line, since JSON escapes them."""
        moment = datetime.fromtimestamp(record.created, UTC).isoformat(timespec="milliseconds")
        text = record.getMessage()
        if record.exc_info:
            text = f"{text}\n{self.formatException(record.exc_info)}"
        fields = {
            "time": moment.replace("+00:00", "Z"),
            "level": record.levelname.lower(),
            "event": getattr(record, "event", "") or record.name,
            "subject": getattr(record, "subject", ""),
            "text": text,
        }
        return json.dumps(fields, ensure_ascii=False)


class Quiet:
    """Lets the log keep to what needs attention while there is no room for more, and say everything again after it."""

    def __init__(self) -> None:
        self._usual: int | None = None

    def keep(self, *, to_warnings: bool) -> None:
        """From now on."""
        root = logging.getLogger()
        if to_warnings and self._usual is None:
            self._usual = root.level
            root.setLevel(max(root.level, logging.WARNING))
        elif not to_warnings and self._usual is not None:
            root.setLevel(self._usual)
            self._usual = None


def set_up(form: str, *, verbose: bool) -> None:
    """Write the log of this process to standard error in one of `FORMS`; `verbose`: also what needs no attention."""
    handler = logging.StreamHandler(sys.stderr)
    handler.setFormatter(JsonLines() if form == "json" else logging.Formatter(PLAIN))
    logging.captureWarnings(capture=form == "json")  # what a library warns of is a line like any other
    logging.basicConfig(level=logging.INFO if verbose else logging.WARNING, handlers=[handler])
