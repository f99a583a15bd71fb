"""A real SFTP server on this machine."""

import asyncio
import threading
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path

import asyncssh

from tests.adapters.archive.ftp_server import PASSWORD, USER


class _Users(asyncssh.SSHServer):
    def password_auth_supported(self) -> bool:
        return True

    def validate_password(self, username: str, password: str) -> bool:
        return (username, password) == (USER, PASSWORD)


@contextmanager
def sftp_server(folder: Path, known: Path) -> Iterator[int]:
    """Serves a folder; yields the port. `known` becomes the list of known hosts with its key."""
    key = asyncssh.generate_private_key("ssh-ed25519")
    loop = asyncio.new_event_loop()

    async def start() -> asyncssh.SSHAcceptor:
        def files(channel: asyncssh.SSHServerChannel) -> asyncssh.SFTPServer:
            return asyncssh.SFTPServer(channel, chroot=str(folder).encode())

        return await asyncssh.listen(
            "127.0.0.1", 0, server_host_keys=[key], server_factory=_Users, sftp_factory=files, allow_scp=False
        )

    server = loop.run_until_complete(start())
    port = server.get_port()
    known.parent.mkdir(exist_ok=True)
    known.write_text(f"[127.0.0.1]:{port} {key.export_public_key().decode()}", encoding="utf-8")
    thread = threading.Thread(target=loop.run_forever, name="sftp")
    thread.start()

    async def stop() -> None:
        server.close()
        await server.wait_closed()
        for task in asyncio.all_tasks() - {asyncio.current_task()}:
            task.cancel()
        await asyncio.sleep(0)

    try:
        yield port
    finally:
        asyncio.run_coroutine_threadsafe(stop(), loop).result(10)
        loop.call_soon_threadsafe(loop.stop)
        thread.join(10)
        loop.close()
