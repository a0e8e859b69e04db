"""The nightly schedule: the same flow over whatever lies in the inbox."""

from dataclasses import dataclass
from pathlib import Path
from zoneinfo import ZoneInfo, ZoneInfoNotFoundError

from prefect import flow
from prefect.schedules import Cron

from paddlebrief.errors import SettingsError
from paddlebrief.flows.brief import RunRequest, brief_recordings
from paddlebrief.ranking import load_targets
from paddlebrief.session import find_recordings
from paddlebrief.settings import load_settings

__all__ = ["NightlyPlan", "serve", "work_inbox"]


@dataclass(frozen=True, kw_only=True)
class NightlyPlan:
    """What is worked, when, and where results go."""

    inbox: Path
    cron: str
    timezone: str
    out: Path
    settings: Path | None
    targets: Path | None
    database: str

    def check(self) -> None:
        """Refuse what would only fail at night.

        Raises
        ------
        SettingsError
            No such inbox, an unusable schedule, an unknown time zone, or bad settings files.
        """
        if not self.inbox.is_dir():
            raise SettingsError(
                "there is no such inbox folder", file=self.inbox, todo="make it, or name another"
            )
        try:
            ZoneInfo(self.timezone)
        except (ZoneInfoNotFoundError, ValueError) as error:
            raise SettingsError(
                "unknown time zone",
                expected="an IANA name such as Europe/Madrid",
                found=repr(self.timezone),
                todo="correct --timezone",
            ) from error
        try:
            Cron(self.cron, timezone=self.timezone)
        except ValueError as error:
            raise SettingsError(
                "the schedule cannot be used",
                expected="five cron fields such as '30 1 * * *'",
                found=repr(self.cron),
                todo="correct --cron",
            ) from error
        load_settings(self.settings)
        load_targets(self.targets)

    def parameters(self) -> dict[str, str | None]:
        """The plan as plain values for the engine."""
        return {
            "inbox": str(self.inbox.resolve()),
            "out": str(self.out.resolve()),
            "settings": None if self.settings is None else str(self.settings.resolve()),
            "targets": None if self.targets is None else str(self.targets.resolve()),
            "database": self.database,
        }


@flow(name="paddlebrief-nightly")
def work_inbox(
    inbox: str, out: str, database: str, settings: str | None = None, targets: str | None = None
) -> dict[str, str]:
    """Work everything in the inbox; returns status and message by recording."""
    folder = Path(out)
    folder.mkdir(parents=True, exist_ok=True)
    request = RunRequest(
        sources=tuple(find_recordings([Path(inbox)], skip=[folder])),
        out=folder,
        database=database,
        settings=load_settings(Path(settings) if settings else None),
        targets=load_targets(Path(targets) if targets else None),
    )
    result = brief_recordings(request)
    return {str(o.source.path): f"{o.status.value}: {o.message}" for o in result.outcomes}


def serve(plan: NightlyPlan) -> None:
    """Serve the nightly flow until stopped; runs are waited for and never overlap."""
    from paddlebrief.flows.engine import server_that_ends_with_us

    with server_that_ends_with_us(scheduler=True):
        work_inbox.serve(
            name="nightly",
            schedule=Cron(plan.cron, timezone=plan.timezone),
            parameters=plan.parameters(),
            limit=1,
            print_starting_message=False,
        )
