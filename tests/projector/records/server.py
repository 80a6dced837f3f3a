"""A PostgreSQL server of our own for a test run, in a folder of its own; it ends with the run."""

from __future__ import annotations

import os
import pwd
import shutil
import socket
import subprocess
import tempfile
from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import dataclass, field
from itertools import count
from pathlib import Path

import psycopg

KEEPER = "postgres"  # whom Debian's package makes; the server refuses to run as root
QUICK = (
    "-c fsync=off -c max_connections=40 -c shared_buffers=16MB "
    "-c unix_socket_directories= -c listen_addresses=127.0.0.1"
)


def programs() -> Path | None:
    """The folder of initdb and pg_ctl, which Debian keeps off the path; None where PostgreSQL is not installed."""
    on_path = shutil.which("initdb")
    folders = sorted(Path("/usr/lib/postgresql").glob("*/bin"), reverse=True)
    found = (
        [Path(on_path).resolve().parent] if on_path else [folder for folder in folders if (folder / "initdb").exists()]
    )
    return found[0] if found else None


@dataclass
class Server:
    """A running server, that can be stopped and started again."""

    folder: Path
    programs: Path
    port: int
    user: str | None
    _numbers: Iterator[int] = field(default_factory=count)

    def start(self) -> None:
        options = f"{QUICK} -c port={self.port}"
        self._run(
            "pg_ctl", "start", "-w", "-D", str(self.folder / "data"), "-l", str(self.folder / "log"), "-o", options
        )

    def stop(self) -> None:
        """At once, as a power cut would."""
        self._run("pg_ctl", "stop", "-w", "-m", "immediate", "-D", str(self.folder / "data"))

    def make_data(self) -> None:
        where = "-D", str(self.folder / "data"), "-U", KEEPER
        self._run("initdb", *where, "-A", "trust", "-E", "UTF8", "--no-locale", "--no-sync")

    def database(self) -> str:
        """The address of an empty database: a schema of its own, which is made sooner than a database."""
        name = f"workshop_{next(self._numbers)}"
        with psycopg.connect(host="127.0.0.1", port=self.port, user=KEEPER, dbname=KEEPER) as connection:
            connection.execute(f"CREATE SCHEMA {name}")
        return f"postgresql://{KEEPER}@127.0.0.1:{self.port}/{KEEPER}?options=-csearch_path%3D{name}"

    def _run(self, program: str, *words: str) -> None:
        command = [str(self.programs / program), *words]
        nowhere = subprocess.DEVNULL  # the server keeps the streams that it was started with
        done = subprocess.run(command, user=self.user, cwd="/", stdin=nowhere, stdout=nowhere, stderr=nowhere)
        if done.returncode:
            log = self.folder / "log"
            raise RuntimeError(f"{command}: {done.returncode}\n{log.read_text()[-2000:] if log.exists() else ''}")


@contextmanager
def running(programs: Path) -> Iterator[Server]:
    user = KEEPER if os.geteuid() == 0 else None
    with tempfile.TemporaryDirectory(prefix="chalkbeam-pg-") as name:
        if user:
            of = pwd.getpwnam(user)
            os.chown(name, of.pw_uid, of.pw_gid)
        server = Server(Path(name), programs, _free_port(), user)
        server.make_data()
        server.start()
        try:
            yield server
        finally:
            server.stop()


def _free_port() -> int:
    with socket.socket() as any_port:
        any_port.bind(("127.0.0.1", 0))
        return int(any_port.getsockname()[1])
