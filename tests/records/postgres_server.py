"""A private PostgreSQL server in a temporary folder, reached by a socket there."""

from __future__ import annotations

import os
import pwd
import shutil
import subprocess
import tempfile
from pathlib import Path


def programs() -> Path | None:
    """Return the folder with the newest server's programs as Debian installs them, or None."""
    found = sorted(Path("/usr/lib/postgresql").glob("*/bin/initdb"), key=lambda path: float(path.parts[4]))
    return found[-1].parent if found else None


class PostgresServer:
    """Starts when made; `durable` off trades safety against power cuts for speed."""

    def __init__(self, *, durable: bool = False) -> None:
        found = programs()
        assert found is not None
        self.programs = found
        self.durable = durable
        self.folder = Path(tempfile.mkdtemp(prefix="meniscope-pg-"))
        # PostgreSQL refuses to run as root.
        self.user: str | None = None
        if os.geteuid() == 0:
            self.user = "postgres" if "postgres" in {item.pw_name for item in pwd.getpwall()} else "nobody"
            shutil.chown(self.folder, self.user)
        self.count = 0
        self.template = ""  # name of a database to copy, once there is one
        self._run("initdb", "-D", str(self.folder / "data"), "-U", "tester", "-A", "trust", "-E", "UTF8",
                  "--no-sync", "--locale=C.UTF-8")
        self.start()

    def start(self) -> None:
        self._run("pg_ctl", "-D", str(self.folder / "data"), "-w", "-l", str(self.folder / "log"), "-o",
                  f"-k {self.folder} -c listen_addresses='' -c max_connections=60"
                  f"{'' if self.durable else ' -c fsync=off'}", "start")

    def stop(self, mode: str = "immediate") -> None:
        if (self.folder / "data" / "postmaster.pid").exists():
            self._run("pg_ctl", "-D", str(self.folder / "data"), "-w", "-m", mode, "stop")
        shutil.rmtree(self.folder, ignore_errors=True)

    def halt(self) -> None:
        """Stop the server but keep its data."""
        self._run("pg_ctl", "-D", str(self.folder / "data"), "-w", "-m", "immediate", "stop")

    def new_database(self, template: str = "template1") -> str:
        """Make a database and return its URL."""
        import psycopg

        self.count += 1
        name = f"results{self.count}"
        with psycopg.connect(f"host={self.folder} user=tester dbname=postgres", autocommit=True) as connection:
            connection.execute(f"CREATE DATABASE {name} TEMPLATE {template}")
        return self.url(name)

    def url(self, name: str) -> str:
        return f"postgresql://tester@/{name}?host={self.folder}"

    def _run(self, program: str, *arguments: str) -> None:
        done = subprocess.run([str(self.programs / program), *arguments], user=self.user, cwd=self.folder,
                              stdout=subprocess.DEVNULL, stderr=subprocess.PIPE, timeout=120, check=False)
        if done.returncode:
            raise RuntimeError(f"{program}: {done.stderr.decode(errors='replace')}")
