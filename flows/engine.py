"""The engine's server: started for us alone, and ended when this process ends, however."""

import os
import signal
import socket
import subprocess
import sys
import time
import urllib.error
import urllib.request
from contextlib import contextmanager, suppress

from paddlebrief.errors import PaddlebriefError

__all__ = ["server_that_ends_with_us"]

START_LIMIT_S = 120
STOP_LIMIT_S = 15

_WATCHER = """
import os, signal, sys
sys.stdin.buffer.read()
try:
    os.killpg(int(sys.argv[1]), signal.SIGTERM)
except ProcessLookupError:
    pass
"""


@contextmanager
def server_that_ends_with_us(*, scheduler: bool = False):
    """Run flows inside this block with a server of their own, gone afterwards.

    The engine would start a temporary server by itself, but leave it running when this process
    is killed. Here a watcher process holds the reading end of a pipe of ours, which closes even
    then, and ends the server. With PREFECT_API_URL set, the server named there is used.

    Parameters
    ----------
    scheduler
        Also run the services that start scheduled flows, which a temporary server leaves out.
    """
    from prefect.settings import PREFECT_API_URL, temporary_settings

    if PREFECT_API_URL.value():
        yield
        return
    port = _free_port()
    server = _start(port, scheduler=scheduler)
    quiet = {"stdout": subprocess.DEVNULL, "stderr": subprocess.DEVNULL}
    watcher = subprocess.Popen(
        [sys.executable, "-c", _WATCHER, str(server.pid)],
        stdin=subprocess.PIPE,
        start_new_session=True,
        **quiet,
    )
    try:
        _wait_until_up(server, port)
        with temporary_settings({PREFECT_API_URL: f"http://127.0.0.1:{port}/api"}):
            yield
    finally:
        watcher.stdin.close()
        watcher.wait()
        try:
            server.wait(STOP_LIMIT_S)
        except subprocess.TimeoutExpired:
            with suppress(ProcessLookupError):
                os.killpg(server.pid, signal.SIGKILL)
            server.wait()


def _free_port() -> int:
    with socket.socket() as probe:
        probe.bind(("127.0.0.1", 0))
        return probe.getsockname()[1]


def _start(port: int, *, scheduler: bool) -> subprocess.Popen:
    environment = {**os.environ, "PREFECT_UI_ENABLED": "0", "PREFECT_SERVER_UI_ENABLED": "0"}
    if not scheduler:
        environment["PREFECT__SERVER_EPHEMERAL"] = "1"
    command = [sys.executable, "-m", "uvicorn", "--factory"]
    command += ["prefect.server.api.server:create_app", "--host", "127.0.0.1"]
    command += ["--port", str(port), "--log-level", "critical", "--lifespan", "on"]
    return subprocess.Popen(
        command,
        env=environment,
        stdin=subprocess.DEVNULL,
        stdout=subprocess.DEVNULL,
        stderr=subprocess.DEVNULL,
        start_new_session=True,
    )


def _wait_until_up(server: subprocess.Popen, port: int) -> None:
    until = time.monotonic() + START_LIMIT_S
    while time.monotonic() < until and server.poll() is None:
        address = f"http://127.0.0.1:{port}/api/health"
        with suppress(urllib.error.URLError, OSError), urllib.request.urlopen(address, timeout=5):
            return
        time.sleep(0.1)
    raise PaddlebriefError(
        "the workflow engine did not start",
        expected=f"an answer within {START_LIMIT_S} s",
        found="its server ended" if server.poll() is not None else "no answer",
        todo="check the free disk space and memory, and run again",
    )
