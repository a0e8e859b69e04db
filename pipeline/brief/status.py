"""What the page says that stands in for a brief when a recording gave none."""

from pathlib import Path

from paddlebrief.brief.document import (
    Block,
    Facts,
    Footer,
    Masthead,
    Points,
    Prose,
    Section,
    Status,
)
from paddlebrief.brief.shown import clock
from paddlebrief.brief.subject import Provenance
from paddlebrief.brief.template import Templates, load_templates
from paddlebrief.errors import PaddlebriefError
from paddlebrief.records import FootageInfo

__all__ = ["failed", "no_stroke"]


def no_stroke(
    *,
    info: FootageInfo,
    people: int,
    provenance: Provenance,
    templates: Templates | None = None,
) -> Status:
    """Page for a recording that was worked to its end and holds no stroke.

    Parameters
    ----------
    info
        The recording; its faults are listed.
    people
        How many people were followed.
    """
    templates = templates or load_templates()
    said, name = templates.status.no_stroke, info.path.name
    what = said.what.format(recording=name, start=clock(info.start_s), end=clock(info.end_s))
    counted = {0: said.people.none, 1: said.people.one}
    seen = counted.get(people) or said.people.many.format(n=people)
    todo = tuple(("", text.format(recording=name)) for text in said.todo)
    blocks: list[Block] = [
        Prose(heading=said.what_heading, text=f"{what} {seen}"),
        Points(heading=said.todo_heading, items=todo),
        *_faults(info, templates),
    ]
    return _page(
        said.title,
        blocks,
        recording=name,
        info=info,
        provenance=provenance,
        templates=templates,
    )


def failed(
    *,
    recording: str | Path,
    error: BaseException,
    provenance: Provenance,
    info: FootageInfo | None = None,
    templates: Templates | None = None,
) -> Status:
    """Page for a recording that could not be worked.

    Parameters
    ----------
    error
        What stopped it. One of paddlebrief's own errors is told part by part, any other as a
        failure of the program.
    info
        What was known of the recording by then, or None.
    """
    templates = templates or load_templates()
    said, name = templates.status.failed, Path(recording).name
    if isinstance(error, PaddlebriefError):
        what, todo = _told(error, templates), said.todo
        if error.todo is not None:
            todo = (_sentence(error.todo), *todo)
    else:
        message = f"{type(error).__name__}, {error}".rstrip(", .")
        what, todo = said.unexpected.format(message=message), said.todo_unexpected
    blocks: list[Block] = [
        Prose(heading=said.what_heading, text=what),
        Points(heading=said.todo_heading, items=tuple(("", text) for text in todo)),
        *(_faults(info, templates) if info is not None else []),
    ]
    return _page(
        said.title,
        blocks,
        recording=name,
        info=info,
        provenance=provenance,
        templates=templates,
    )


def _told(error: PaddlebriefError, templates: Templates) -> str:
    said = templates.status.failed
    parts = [_sentence(error.what)]
    if error.expected is not None:
        parts.append(said.expected.format(expected=error.expected.rstrip(".")))
    if error.found is not None:
        parts.append(said.found.format(found=error.found.rstrip(".")))
    return " ".join(parts)


def _sentence(text: str) -> str:
    text = text[:1].upper() + text[1:]
    return text if text.endswith((".", "!", "?")) else text + "."


def _faults(info: FootageInfo, templates: Templates) -> list[Block]:
    if not info.faults:
        return []
    items = tuple(("", fault) for fault in info.faults)
    return [Points(heading=templates.status.faults_heading, items=items)]


def _page(
    title: str,
    blocks: list[Block],
    *,
    recording: str,
    info: FootageInfo | None,
    provenance: Provenance,
    templates: Templates,
) -> Status:
    said = templates.status
    made = provenance.made.isoformat(sep=" ", timespec="minutes")
    rows = [(said.made_label, made), (said.version_label, provenance.version)]
    rows.append((said.settings_label, provenance.settings_digest))
    content_hash = provenance.recordings.get(recording) if info is None else info.content_hash
    if content_hash:
        rows.append((said.hash_label, content_hash))
    document = templates.brief.document
    section = Section(
        name="status", heading="", blocks=(*blocks, Facts(rows=tuple(rows))), bookmark=title
    )
    return Status(
        title=f"{title}, {recording}",
        author=document.author.format(version=provenance.version),
        subject=document.subject,
        language=templates.brief.language,
        made=provenance.made,
        masthead=Masthead(
            kicker=said.kicker,
            title=title,
            lines=((said.recording_label, recording),),
            missing_letters=document.missing_letters,
        ),
        footer=Footer(template=said.footer, words={"recording": recording}),
        sections=(section,),
    )
