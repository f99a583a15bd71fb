"""A server by SFTP is believed only if its key is known: who takes its place would be given the password and the figures."""

from contextlib import suppress
from pathlib import Path

import paramiko

from meterd.core.errors import StoreError

MACHINE = Path("/etc/ssh/ssh_known_hosts")


class KnownHosts(paramiko.MissingHostKeyPolicy):  # type: ignore[misc]
    """Refuses a server whose key is neither in the user's `~/.ssh/known_hosts` nor in that of the machine."""

    def missing_host_key(self, client: paramiko.SSHClient, hostname: str, key: paramiko.PKey) -> None:
        """Called for every server, as the client itself knows none. StoreError for one whose key is not known."""
        known, own = paramiko.HostKeys(), Path.home() / ".ssh" / "known_hosts"
        for path in (MACHINE, own):
            with suppress(OSError):
                known.load(str(path))
        if not known.check(hostname, key):
            host, _, port = hostname.strip("[").partition("]:")
            scan = f"ssh-keyscan {f'-p {port} ' if port else ''}{host} >> {own}"
            raise StoreError(
                f"the key of the SFTP server {hostname} ({key.get_name()} {key.fingerprint}) is not known here;"
                f" compare it with that of the server, then: {scan}"
            )
