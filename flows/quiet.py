"""Keep the workflow engine on this machine: no telemetry, no look-ups, its state in our cache."""

import os

from paddlebrief.model_store import cache_folder

__all__ = ["silence"]


def silence() -> None:
    """Set the engine's environment before it is imported; values already set are kept."""
    home = cache_folder().parent / "prefect"
    if "PREFECT_HOME" not in os.environ:
        home.mkdir(parents=True, exist_ok=True)  # the engine makes only the last folder itself
    defaults = {
        "DO_NOT_TRACK": "1",
        "PREFECT_HOME": str(home),
        "PREFECT_LOCAL_STORAGE_PATH": str(home / "results"),
        "PREFECT_LOGGING_LEVEL": "CRITICAL",
        "PREFECT_LOGGING_TO_API_ENABLED": "false",
        "PREFECT_SERVER_ANALYTICS_ENABLED": "false",
        "PREFECT_SERVER_LOGGING_LEVEL": "CRITICAL",
        "PREFECT_SERVER_EPHEMERAL_STARTUP_TIMEOUT_SECONDS": "120",
        "PREFECT_RESULTS_PERSIST_BY_DEFAULT": "false",
        "PREFECT_CLOUD_ENABLE_ORCHESTRATION_TELEMETRY": "false",
    }
    for name, value in defaults.items():
        os.environ.setdefault(name, value)
