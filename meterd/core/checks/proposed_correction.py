"""What a finding proposes to correct: written into its evidence as a command line, and read from there for the form."""

import math
import re
from dataclasses import dataclass
from zoneinfo import ZoneInfo

from meterd.core.model.finding import Finding
from meterd.core.model.periods import from_ms
from meterd.core.model.plan import Site
from meterd.core.model.reading import EXPORT, IMPORT, REGISTERS

SAYS = "once the cause is confirmed on site, the stored figures are corrected by: "
COMMAND = "meterd correct PLAN "
OPEN = "DATE"  # stands for a beginning that only a person knows
_SAYS = re.compile(r".*are corrected by: |.*are put right by: ")  # the second in findings of older versions
_OPTION = re.compile(r'--(\w+) (?:"([^"]*)"|([^\s";]+))')
_OPTIONS = ("point", "register", "from", "to", "factor", "reason")


@dataclass(frozen=True, slots=True)
class ProposedCorrection:
    """A correction as the command and the form take it; what is not known is empty. `register` is its name."""

    point: str
    register: str
    begin: str
    end: str
    factor: str
    reason: str

    @property
    def command(self) -> str:
        """The command line.

        >>> ProposedCorrection("q01", "import", "", "", "1.25", "plate says 250/5").command
        'meterd correct PLAN --point q01 --register import --from DATE --factor 1.25 --reason "plate says 250/5" --person NAME'
        """
        until = f"--to {self.end} " if self.end else ""
        return (
            f"{COMMAND}--point {self.point} --register {self.register} --from {self.begin or OPEN} {until}"
            f'--factor {self.factor} --reason "{self.reason.replace(chr(34), chr(39))}" --person NAME'
        )


def plain_factor(number: float) -> str:
    """Four significant digits without an exponent: more than a balance knows.

    >>> plain_factor(1.0 / 3), plain_factor(1000.0)
    ('0.3333', '1000')
    """
    digits = max(0, 3 - math.floor(math.log10(abs(number))))
    return f"{number:.{digits}f}"


def evidence_of(*proposals: ProposedCorrection) -> str:
    """The line of evidence that proposes them."""
    return SAYS + "; ".join(proposal.command for proposal in proposals)


def energies_evidence(site: Site, point: str, factor: float, reason: str) -> str:
    """The line that proposes a factor for both energies of a point since its instrument is fitted, as far as it is dated."""
    fitted = site.instruments_of(point)
    since_ms = fitted[-1].from_ms if fitted else 0
    begin = "" if since_ms <= 0 else from_local(since_ms, ZoneInfo(site.zone))
    read = {row.register for row in site.inputs_of(point)}
    return evidence_of(
        *(
            ProposedCorrection(point, REGISTERS[register].name, begin, "", plain_factor(factor), reason)
            for register in (IMPORT, EXPORT)
            if register in read
        )
    )


def from_local(ms: int, zone: ZoneInfo) -> str:
    """A moment as the form and the command take it: local, with its offset."""
    return from_ms(ms).astimezone(zone).isoformat(timespec="seconds")


def proposed(finding: Finding) -> tuple[ProposedCorrection, ...]:
    """The corrections that the evidence of a finding proposes."""
    return tuple(
        proposal
        for line in finding.evidence
        if _SAYS.match(line)
        for text in line.split(COMMAND)[1:]
        if (proposal := _read(text)) is not None
    )


def _read(text: str) -> ProposedCorrection | None:
    """A command line without its beginning; None for one that is not whole."""
    values = {match[1]: match[2] or match[3] or "" for match in _OPTION.finditer(text)}
    if not values.get("point") or not values.get("factor"):
        return None
    point, register, begin, end, factor, reason = (values.get(name, "") for name in _OPTIONS)
    return ProposedCorrection(point, register or "import", "" if begin == OPEN else begin, end, factor, reason)
