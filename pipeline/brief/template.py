"""Loading and checking of the report templates: wording, colours and page measurements."""

import difflib
from collections.abc import Mapping
from dataclasses import dataclass
from importlib import resources
from pathlib import Path

import yaml
from pydantic import BaseModel, ValidationError

from paddlebrief.brief.look import Colours, PageSpec
from paddlebrief.brief.wording import BriefWording, Guidance, Measures, MeasureText, StatusWording
from paddlebrief.errors import SettingsError

__all__ = ["Templates", "load_templates"]

_FILES: Mapping[str, type[BaseModel]] = {
    "brief": BriefWording,
    "guidance": Guidance,
    "measures": Measures,
    "status": StatusWording,
    "colours": Colours,
    "page": PageSpec,
}


@dataclass(frozen=True, kw_only=True)
class Templates:
    """The checked contents of the report templates.

    Attributes
    ----------
    folder
        The coach's own template folder, or None when only the package's own are used.
    """

    brief: BriefWording
    guidance: Guidance
    measures: Measures
    status: StatusWording
    colours: Colours
    page: PageSpec
    folder: Path | None = None

    def measure_text(self, name: str) -> MeasureText:
        """Label, explanation and decimals of a measure; its own name when it is not listed."""
        known = self.measures.measures.get(name)
        return known or MeasureText.model_construct(label=name, explains="", decimals=2)

    def measure_rank(self, name: str) -> tuple[int, str]:
        """Sorting key that puts measures in the order of measures.yaml, unlisted ones last."""
        order = list(self.measures.measures)
        return (order.index(name) if name in order else len(order), name)


def load_templates(folder: Path | None = None) -> Templates:
    """Load the report templates that come with the package, or a coach's own.

    Parameters
    ----------
    folder
        Folder with any of brief.yaml, guidance.yaml, measures.yaml, status.yaml, colours.yaml and
        page.yaml; each one replaces the package's own. None for the package's own alone.

    Raises
    ------
    SettingsError
        When the folder is not there or a file in it cannot be used; one error lists every fault
        of that file.
    """
    own = _own_files(folder)
    packaged = resources.files("paddlebrief.report_templates")
    loaded = {}
    for name, model in _FILES.items():
        file = own.get(name, packaged / f"{name}.yaml")
        loaded[name] = _checked(model, text=file.read_text(encoding="utf-8"), file=Path(str(file)))
    return Templates(**loaded, folder=folder)


def _own_files(folder: Path | None) -> dict[str, Path]:
    if folder is None:
        return {}
    if not folder.is_dir():
        raise SettingsError(
            "the folder of report templates is not there",
            file=folder,
            todo="name an existing folder, or leave the setting out",
        )
    own = {path.stem: path for path in sorted(folder.glob("*.yaml"))}
    for stem, path in own.items():
        if stem not in _FILES:
            raise SettingsError(
                "no report template has this name",
                file=path,
                expected="one of " + ", ".join(f"{name}.yaml" for name in _FILES),
                todo=_meant(stem, _FILES) or "rename it or move it elsewhere",
            )
    return own


def _checked(model: type[BaseModel], *, text: str, file: Path) -> BaseModel:
    try:
        said = yaml.safe_load(text)
    except yaml.YAMLError as fault:
        mark = getattr(fault, "problem_mark", None)
        where = "" if mark is None else f" in line {mark.line + 1}"
        raise SettingsError(
            f"this is not readable YAML{where}",
            file=file,
            found=str(getattr(fault, "problem", None) or fault),
            todo="mend that line, or take the packaged file as a start",
        ) from None
    try:
        return model.model_validate(said)
    except ValidationError as fault:
        lines = [_fault(error, model) for error in fault.errors()]
        raise SettingsError(
            f"{len(lines)} fault{'s' if len(lines) > 1 else ''} in this report template",
            file=file,
            found=" | ".join(lines),
            todo="mend what is named here; the packaged file shows what is accepted",
        ) from None


def _fault(error: Mapping, model: type[BaseModel]) -> str:
    where = ".".join(str(part) for part in error["loc"]) or "the file as a whole"
    if error["type"] == "extra_forbidden":
        hint = _meant(str(error["loc"][-1]), _options(model, error["loc"][:-1]))
        return f"{where}: no such entry" + (f", {hint}" if hint else "")
    return f"{where}: " + error["msg"].removeprefix("Value error, ")


def _options(model: type[BaseModel], path: tuple) -> list[str]:
    for part in path:
        field = getattr(model, "model_fields", {}).get(part)
        model = None if field is None else field.annotation
    return list(getattr(model, "model_fields", {}))


def _meant(word: str, known) -> str | None:
    near = difflib.get_close_matches(word, list(known), n=1)
    return f"did you mean {near[0]}?" if near else None
