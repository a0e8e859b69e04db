"""The model store without a network, on files made for the test."""

import hashlib

import pytest

from paddlebrief import model_store
from paddlebrief.errors import ModelStoreError


@pytest.fixture
def known(monkeypatch):
    files = tuple(
        model_store.ModelFile(
            name=name,
            member=f"inside/{name}",
            sha256=hashlib.sha256(name.encode()).hexdigest(),
            purpose="test",
        )
        for name in ("one.tflite", "two.tflite")
    )
    monkeypatch.setattr(model_store, "BODY_MODELS", files)
    return files


def test_a_complete_folder_is_used_as_it_is(tmp_path, known):
    for file in known:
        (tmp_path / file.name).write_bytes(file.name.encode())
    paths = model_store.ensure_models(tmp_path)
    assert paths == {f.name: tmp_path / f.name for f in known}


def test_a_folder_with_an_altered_file_is_refused_by_name(tmp_path, known):
    (tmp_path / "one.tflite").write_bytes(b"one.tflite")
    (tmp_path / "two.tflite").write_bytes(b"something else")
    with pytest.raises(ModelStoreError, match=r"two\.tflite altered") as caught:
        model_store.ensure_models(tmp_path)
    assert str(tmp_path) in str(caught.value)
    assert "models.folder" in str(caught.value)


@pytest.mark.usefixtures("known")
def test_without_network_the_error_says_what_to_do_and_leaves_nothing(tmp_path, monkeypatch):
    monkeypatch.setenv("PADDLEBRIEF_HOME", str(tmp_path))
    monkeypatch.setenv("PIP_NO_INDEX", "1")
    monkeypatch.setenv("PIP_FIND_LINKS", str(tmp_path))
    with pytest.raises(ModelStoreError, match="paddlebrief models"):
        model_store.ensure_models()
    assert list((tmp_path / "models").iterdir()) == []


@pytest.mark.usefixtures("known")
def test_inspect_reaches_nothing(tmp_path, monkeypatch):
    monkeypatch.setenv("PADDLEBRIEF_HOME", str(tmp_path))
    assert [m.state for m in model_store.inspect()] == ["missing", "missing"]
    assert not (tmp_path / "models").exists()
