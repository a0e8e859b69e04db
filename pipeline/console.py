"""What the terminal shows: progress with time left, and results a coach can read."""

from collections.abc import Sequence
from pathlib import Path

from rich.console import Console
from rich.progress import BarColumn, Progress, TaskProgressColumn, TextColumn, TimeRemainingColumn

from paddlebrief.check import FootageReport
from paddlebrief.model_store import StoredModel
from paddlebrief.outcome import RunResult
from paddlebrief.session import RecordingSource

__all__ = ["ProgressLines", "tell_checks", "tell_models", "tell_plan", "tell_result"]

ROWS_SHOWN = 12


def _out() -> Console:
    return Console(highlight=False, soft_wrap=True)


class ProgressLines:
    """A bar on the error stream for what is being done; plain lines where nobody watches."""

    def __init__(self) -> None:
        self._console = Console(stderr=True, highlight=False)
        self._bars = Progress(
            TextColumn("{task.description}"),
            BarColumn(),
            TaskProgressColumn(),
            TimeRemainingColumn(compact=True),
            console=self._console,
            transient=True,
        )
        self._task: int | None = None
        self._what = ""

    def __enter__(self) -> "ProgressLines":
        if self._console.is_terminal:
            self._bars.start()
        return self

    def __exit__(self, *_: object) -> None:
        self._bars.stop()

    def begin(self, what: str) -> None:
        """Show a new piece of work."""
        self._what = what
        if not self._console.is_terminal:
            self._console.print(what)
            return
        if self._task is not None:
            self._bars.remove_task(self._task)
        self._task = self._bars.add_task(what, total=1.0)

    def tell(self, what: str, done: float) -> None:
        """Show a share of a piece of work, beginning it when it is another one."""
        if what != self._what:
            self.begin(what)
        self.share(done)

    def share(self, done: float) -> None:
        """Move the bar of the piece begun last."""
        if self._task is not None:
            self._bars.update(self._task, completed=done)


def tell_plan(sources: Sequence[RecordingSource], out: Path) -> None:
    """Say what a run would work."""
    console = _out()
    for source in sources:
        what = f"cannot be worked: {source.error}" if source.error else "would be worked"
        console.print(f"{source.path}: {what}")
    console.print(f"results would go to {out}")


def tell_result(result: RunResult) -> None:
    """Say what a run found and where it lies."""
    console = _out()
    for outcome in result.outcomes:
        console.print(f"{outcome.source.path}: {outcome.status.value}: {outcome.message}")
        for line in _stroke_lines(outcome.strokes):
            console.print(f"  {line}")
    for path in result.briefs:
        console.print(f"brief: {path}")
    for path in result.pages:
        console.print(f"status page: {path}")
    if result.briefs:
        console.print(f"tables: {result.out}/strokes.csv and measures.csv")


def _stroke_lines(strokes: Sequence) -> list[str]:
    lines = [
        f"{s.stroke.player}  contact {s.stroke.contact_s:.2f} s"
        f" ± {1.96 * s.stroke.contact_s_sd:.3f} s"
        f"  {s.stroke.side.value}  {s.stroke.kind.value} ({s.stroke.kind_probability:.0%})"
        for s in strokes[:ROWS_SHOWN]
    ]
    if len(strokes) > ROWS_SHOWN:
        lines.append(f"… and {len(strokes) - ROWS_SHOWN} more in strokes.csv")
    return lines


def tell_models(stored: Sequence[StoredModel]) -> None:
    """Say what the model store holds."""
    console = _out()
    for model in stored:
        console.print(f"{model.file.name}: {model.state}, {model.file.purpose}")
        console.print(f"  {model.path}")
        console.print(f"  SHA-256 {model.file.sha256}")


def tell_checks(reports: Sequence[FootageReport]) -> None:
    """Say what each recording allows to be measured."""
    console = _out()
    for report in reports:
        console.print(f"{report.path}")
        if report.error is not None:
            console.print(f"  cannot be worked: {report.error}")
            continue
        for line in report.facts:
            console.print(f"  {line}")
        for finding in report.findings:
            console.print(f"  {finding.verdict.value:>8}  {finding.what}: {finding.why}")
        for picture in report.pictures:
            console.print(f"  look: {picture}")
