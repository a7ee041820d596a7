"""Servers for measurements and storms: PostgreSQL, and simulated heads in real time; and the processes that run heads."""

import os
import re
import shutil
import socket
import subprocess
import sys
from pathlib import Path


def postgres(work):
    """A server in a folder: its port, the environment, psql, and how to stop it or start it again."""
    folders = sorted(Path("/usr/lib/postgresql").glob("*/bin"))
    programs = folders[-1] if folders else Path(shutil.which("initdb")).resolve().parent
    account = ["runuser", "-u", "nobody", "--"] if os.getuid() == 0 else []
    data = work / "data"
    work.mkdir(exist_ok=True)
    if account:
        work.chmod(0o777)
        shutil.chown(work, "nobody")
    (work / "password").write_text("word of the measurement\n")
    (work / "password").chmod(0o644)
    with socket.socket() as free:
        free.bind(("127.0.0.1", 0))
        port = free.getsockname()[1]

    def run(*command):
        subprocess.run([*account, *command], check=True, stdout=subprocess.DEVNULL, cwd=work)

    if not data.exists():
        run(programs / "initdb", "-D", data, "-U", "admin", "--auth=scram-sha-256",
            f"--pwfile={work / 'password'}", "--encoding=UTF8", "--locale=C")
    start = [programs / "pg_ctl", "-D", data, "-l", work / "log", "-w", "-o",
        f"-p {port} -k {work} -c listen_addresses=127.0.0.1 -c shared_buffers=1GB -c max_wal_size=2GB "
        "-c wal_level=minimal -c max_wal_senders=0 -c maintenance_work_mem=1GB", "start"]
    run(*start)
    environment = {**os.environ, "PGPASSWORD": "word of the measurement"}

    def sql(database, statement):
        done = subprocess.run(
            ["psql", "-h", "127.0.0.1", "-p", str(port), "-U", "admin", "-d", database, "-XqAt", "-v",
             "ON_ERROR_STOP=1", "-c", statement],
            env=environment, check=True, capture_output=True, text=True)
        return done.stdout.strip()

    def stop(mode="fast"):
        run(programs / "pg_ctl", "-D", data, "-m", mode, "-w", "stop")

    return port, environment, sql, stop, lambda: run(*start)


def served(program, work, serial, listen="127.0.0.1:0"):
    """A simulated head in real time, described by a file named as its serial number: its server and its address."""
    server = subprocess.Popen(
        [program, "serve", "--listen", listen, "--no-secret", "a test", "--realtime", "--head", f"sim:{serial}.toml"],
        cwd=work, stdout=subprocess.PIPE, text=True)
    said = ""
    while "officer decide" not in said:
        line = server.stdout.readline()
        if not line:
            sys.exit(f"a server ended: {said}")
        said += line
    return server, re.search(r"tcp://[^\s;]+", said)[0]


def processes(work):
    """Processes that run a head for a batch in a folder."""
    found = []
    for place in Path("/proc").glob("[0-9]*"):
        try:
            words = (place / "cmdline").read_bytes().split(b"\0")
            if b"--one-head" in words and (place / "cwd").resolve() == work.resolve():
                found.append(int(place.name))
        except OSError:
            pass
    return found
