"""Promises about the whole package: layers, documented settings, stages, help, wording."""

import ast
import re
import tomllib
from importlib import resources
from pathlib import Path

import pytest
import yaml
from pydantic import BaseModel
from typer.main import get_command

import paddlebrief
from paddlebrief.cli import app
from paddlebrief.errors import SettingsError
from paddlebrief.settings import Settings, digest, load_settings
from paddlebrief.stages import STAGES, RecordingJob

PACKAGE = Path(paddlebrief.__file__).parent
SOURCES = sorted(PACKAGE.rglob("*.py"))


def _options(model=Settings, place=()):
    """Every option as (place of its model, name, field), models inside models included."""
    for name, field in model.model_fields.items():
        part = field.annotation
        if isinstance(part, type) and issubclass(part, BaseModel):
            yield from _options(part, (*place, name))
        else:
            yield place, name, field


def _shipped(place=()):
    text = resources.files("paddlebrief.config").joinpath("defaults.yaml").read_text("utf-8")
    found = yaml.safe_load(text)
    for part in place:
        found = found[part]
    return found


@pytest.mark.parametrize("source", SOURCES, ids=lambda p: str(p.relative_to(PACKAGE)))
def test_the_pipeline_never_imports_the_workflow_engine(source):
    if "flows" in source.parts:
        return
    names = set()
    for node in ast.walk(ast.parse(source.read_text(encoding="utf-8"))):
        if isinstance(node, ast.Import):
            names |= {a.name.split(".")[0] for a in node.names}
        elif isinstance(node, ast.ImportFrom) and node.module:
            names.add(node.module.split(".")[0])
    assert "prefect" not in names


@pytest.mark.parametrize(("place", "name", "option"), list(_options()), ids=str)
def test_every_option_is_described_in_config_with_its_default(place, name, option):
    assert _shipped(place)[name] == option.default
    text = resources.files("paddlebrief.config").joinpath("defaults.yaml").read_text("utf-8")
    words = re.sub(r"\s*\n\s*#\s*", " ", text)
    assert option.description in words


def test_config_holds_no_option_that_does_not_exist():
    def named(shipped, place=()):
        for name, value in shipped.items():
            if isinstance(value, dict):
                yield from named(value, (*place, name))
            else:
                yield place, name

    assert set(named(_shipped())) == {(place, name) for place, name, _ in _options()}


@pytest.mark.parametrize(("place", "name", "option"), list(_options()), ids=str)
def test_every_option_is_read_somewhere(place, name, option):
    texts = [p.read_text(encoding="utf-8") for p in SOURCES]
    assert any(
        re.search(rf"(settings|sight|ears|brief|models|eyes|self)\S*\.{name}\b", t)
        for t in texts
    )


def test_a_mistyped_option_is_answered_with_its_neighbour(tmp_path):
    file = tmp_path / "mine.yaml"
    file.write_text("sight:\n  min_scor: 0.4\n")
    with pytest.raises(SettingsError, match="did you mean min_score") as caught:
        load_settings(file)
    assert str(file) in str(caught.value)


def test_settings_of_one_stage_leave_another_stage_alone(tmp_path):
    file = tmp_path / "mine.yaml"
    file.write_text("ranking:\n  shown: 2\n")
    mine, plain = load_settings(file), load_settings()
    assert mine.ranking.shown == 2
    assert digest(mine.sight) == digest(plain.sight)
    assert digest(mine) != digest(plain)


@pytest.mark.parametrize("stage", STAGES)
def test_every_stage_has_a_method_and_stands_in_the_documents(stage):
    assert callable(getattr(RecordingJob, stage))
    root = Path(__file__).parent.parent
    assert stage in (root / "README.md").read_text(encoding="utf-8")
    assert stage in (root / "DEVELOPERS.md").read_text(encoding="utf-8")


@pytest.mark.parametrize("name", sorted(get_command(app).commands))
def test_every_command_and_option_has_help(name):
    command = get_command(app).commands[name]
    assert command.help
    for parameter in command.params:
        assert getattr(parameter, "help", None), parameter.name


@pytest.mark.parametrize("name", sorted(get_command(app).commands))
def test_every_command_stands_in_the_readme(name):
    readme = (Path(__file__).parent.parent / "README.md").read_text(encoding="utf-8")
    assert f"paddlebrief {name}" in readme


def test_the_top_level_is_the_fixed_one():
    root = Path(__file__).parent.parent
    allowed = {"README.md", "DEVELOPERS.md", "pyproject.toml", "pipeline", "flows",
               "report_templates", "tests", "config", "LICENSE"}  # fmt: skip
    made = {"build", "dist", "paddlebrief.egg-info", "paddlebrief-out"}
    found = {p.name for p in root.iterdir() if not p.name.startswith(".")}
    assert found - made - allowed == set()


def test_every_package_is_in_the_wheel():
    root = Path(__file__).parent.parent
    given = tomllib.loads((root / "pyproject.toml").read_text(encoding="utf-8"))
    places = {"pipeline": "paddlebrief", "flows": "paddlebrief.flows"}
    found = {
        ".".join([name, *init.parent.relative_to(root / folder).parts])
        for folder, name in places.items()
        for init in (root / folder).rglob("__init__.py")
    }
    assert found <= set(given["tool"]["setuptools"]["packages"])
