"""The built programs, for the outside checks: a server with an enrolled way to it, devices, and what is expected.

PINTLE_TEST_BINARIES names the folder of the programs.
"""

import os
import pathlib
import re
import subprocess
import sys

BINARIES = pathlib.Path(os.environ.get("PINTLE_TEST_BINARIES", "target/debug")).resolve()
WAIT_S = 60


def expect(what, holds):
    if not holds:
        sys.exit(f"not so: {what}")
    print(f"ok: {what}")


class Server:
    """A server on a database in a folder, until the block ends."""

    def __init__(self, folder, *arguments, env=None):
        self.database = f"sqlite:{folder}/ledger.sqlite?mode=rwc"
        self.process = subprocess.Popen(
            [BINARIES / "pintle-server", "--listen", "127.0.0.1:0", "--database", self.database, *arguments],
            stdout=subprocess.PIPE,
            stderr=subprocess.DEVNULL,
            text=True,
            env={**os.environ, **(env or {})},
        )
        self.code = self.address = None
        for line in self.process.stdout:
            self.code = self.code or next(iter(re.findall(r"pintle enrol \S+ (\S+)", line)), None)
            self.address = next(iter(re.findall(r"^listening on (\S+)", line)), None)
            if self.address:
                return
        sys.exit("the server did not start")

    def __enter__(self):
        return self

    def __exit__(self, *_):
        self.process.terminate()
        self.process.wait(timeout=WAIT_S)

    def operator(self, *arguments, check=True):
        command = [BINARIES / "pintle-server", *arguments, "--database", self.database]
        return subprocess.run(command, check=check, capture_output=True, text=True)


def device(home):
    """The program of a device, as a function of its arguments that gives what it printed."""

    def pintle(*arguments):
        command = [BINARIES / "pintle", "--home", str(home), *arguments]
        return subprocess.run(command, check=True, capture_output=True, text=True).stdout

    return pintle
