"""The engine's temporary server: end it when this process ends, however that happens."""

import subprocess
import sys
from contextlib import contextmanager

__all__ = ["server_that_ends_with_us"]

_WATCHER = """
import os, signal, sys
sys.stdin.buffer.read()
try:
    os.kill(int(sys.argv[1]), signal.SIGTERM)
except ProcessLookupError:
    pass
"""


@contextmanager
def server_that_ends_with_us():
    """Run flows inside this block: one temporary server, gone afterwards.

    The engine stops its server at a normal exit only. A watcher process holds the reading end of
    a pipe of ours, which closes even when this process is killed, and ends the server then.
    With PREFECT_API_URL set, the server named there is used and none is started.
    """
    from prefect.server.api.server import SubprocessASGIServer
    from prefect.settings import PREFECT_API_URL, temporary_settings

    if PREFECT_API_URL.value():
        yield
        return
    server = SubprocessASGIServer()
    server.start(timeout=120)
    watcher = subprocess.Popen(
        [sys.executable, "-c", _WATCHER, str(server.server_process.pid)],
        stdin=subprocess.PIPE,
        stdout=subprocess.DEVNULL,
        stderr=subprocess.DEVNULL,
        start_new_session=True,
    )
    try:
        with temporary_settings({PREFECT_API_URL: server.api_url}):
            yield
    finally:
        server.stop()
        watcher.stdin.close()
        watcher.wait()
